"""Falls to come: sensors that lose part of their sensitivity at once (poisoned, knocked, flooded), now and then, and go on.

The health room finds such steps down in the past of a fleet, `falls_learnt` how often they come, per sensor and year, and how
large they are; `fallen` puts those to come on top of the paths. Falls come at a constant rate whose uncertainty is a gamma law,
and their sum S by a time has a compound negative binomial law (compound Poisson where the rate is known), which is got from its
characteristic function on a grid (Klugman, Panjer and Willmot 2012, Loss Models, 4th ed., ch. 9; from memory). A path that goes
down has met its limit by a time exactly where it has met limit + S, so that, F_x being its chance to have come within x of it,

    P(end by t) = E[F_S(t)],    d P = E[dF_S] + (the rest),

the first part being ends to which the path came by itself, and the rest ends by a fall at once. Where a path wanders up again
before the fall comes this counts it as ended: the chance is then too large rather than too small.

Falls below what the readings can show stay part of wander and noise. A fall that takes nearly all of the sensitivity is a sudden
death and remains one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import log1p

from .falls_together import Company, SiteEvents
from .lifedata import DAYS_PER_YEAR
from .soft import cells

Array = NDArray[np.float64]

LEAST = 0.05  # ln ratio: a fall of less is none
WIDTH = 0.02  # of the cells of sizes
CELLS = 256  # of sums: up to five in ln ratio
TILT = 20.0  # of sums over the whole grid, in ln: what comes back is e^-20 of what it was, and rounding grows to 1e-7 at most
NODES = 5  # sums at which chances are worked out
NEGLIGIBLE = 5e-4  # chance of any fall within the time looked ahead below which they are left out: by so much it errs at most
CAME = ("life_id", "time_after", "size")  # of falls that were found
KNOWN = 1e9  # years after which a rate counts as known


@dataclass(frozen=True)
class FallLaw:
    """Falls at once of one kind of sensor.

    shape, years: of the gamma law of their rate per year; sizes (g,): ln ratio, chance (g,) of each; seen: falls of at least
    `least` (ln ratio) in so many sensor-years `watched`. company: of falls that came in events (`falls_together`), None where
    each sensor falls by itself. events: to come in one possible world, beside which the rate is that of the other falls.
    """

    shape: float
    years: float
    sizes: Array
    chance: Array
    least: float = LEAST
    seen: int = 0
    watched: float = 0.0
    company: Company | None = None
    events: SiteEvents | None = None

    @property
    def rate(self) -> float:
        """Falls per sensor and year."""
        return self.shape / self.years

    @property
    def usual(self) -> float:
        """Median size (ln ratio)."""
        return float(np.interp(0.5, np.cumsum(self.chance), self.sizes))

    def draw(self, rng: np.random.Generator) -> FallLaw:
        """The same with a known rate, drawn from what is known of it."""
        return self._known(float(rng.gamma(self.shape)) / self.years)

    def in_company(self, usual: Company, alone: float, events: SiteEvents) -> FallLaw:
        """The same in one possible world of falls in company, as from `Company.draw`."""
        shape, years = usual.rate
        times = self.rate * years / shape
        return replace(self._known(times * alone), events=events.of_kind(times))

    def _known(self, rate: float) -> FallLaw:
        return replace(self, shape=rate * KNOWN, years=KNOWN)

    def any_within(self, days: float) -> float:
        """Chance of any fall within `days`."""
        years = days / DAYS_PER_YEAR
        in_events = 0.0 if self.events is None else self.events.rate * self.events.hit * years
        return float(-np.expm1(-self.shape * np.log1p(years / self.years) - in_events))

    def sums(self, days: Array, events: int | None = None) -> Array:
        """Chance (m, CELLS) that falls within `days` (m,) add up to 0, WIDTH, 2 WIDTH, ...; what is missing in 1 is beyond.

        events: that come to the site in the meantime; None: as many as come on average, for a sensor that has no site yet. Tilted
        by an exponential, so that sums beyond the grid do not come back at its beginning (Gruebel and Hermesmeier 1999, ASTIN
        Bulletin 29:197-214; from memory).
        """
        place = np.rint(self.sizes / WIDTH).astype(np.intp)
        tilt = np.exp(-TILT * np.arange(CELLS) / CELLS)
        one = 1.0 - np.fft.rfft(np.bincount(place, weights=self.chance, minlength=CELLS) * tilt)
        years = np.maximum(np.asarray(days, dtype=float), 0.0)[:, None] / DAYS_PER_YEAR
        # scipy's log1p: numpy's loses the digits of a complex number near 0, which the tilt then makes large
        log = -self.shape * log1p(years / self.years * one)
        if self.events is not None:
            hit = self.events.hit
            log = log - self.events.rate * hit * years * one if events is None else log + events * log1p(-hit * one)
        return np.maximum(np.fft.irfft(np.exp(log), CELLS) / tilt, 0.0)

    def nodes(self, most: float) -> Array:
        """Sums (k,) of falls at which chances are worked out: none, then from the least to `most`, or to what the grid holds."""
        return np.append(0.0, np.geomspace(self.sizes[0], np.clip(most, 2.0 * self.sizes[0], CELLS * WIDTH), NODES))

    def weights(self, days: Array, nodes: Array, events: int | None = None) -> Array:
        """Chance (k, m) by which each of `nodes` stands for the sums within `days` (m,), as in `sums`; those between two are
        shared."""
        sums = np.arange(CELLS) * WIDTH
        upper = np.clip(np.searchsorted(nodes, sums, side="left"), 1, nodes.size - 1)
        share = np.clip((sums - nodes[upper - 1]) / (nodes[upper] - nodes[upper - 1]), 0.0, 1.0)
        part = np.zeros((nodes.size, CELLS))
        part[upper - 1, np.arange(CELLS)] = 1.0 - share
        part[upper, np.arange(CELLS)] += share
        weight = part @ self.sums(days, events).T
        weight[-1] += np.maximum(1.0 - weight.sum(axis=0), 0.0)
        return np.asarray(weight / weight.sum(axis=0))


@dataclass(frozen=True)
class Falls:
    """The law of falls of each kind of sensor that has any.

    ended: lives (life_id) that such a fall ended at once; came: life_id, time_after (of the first reading that shows it) and size
    (ln ratio) of those after which sensors went on.
    """

    laws: Mapping[str, FallLaw]
    ended: frozenset[str] = field(default_factory=frozenset)
    came: pd.DataFrame = field(default_factory=partial(pd.DataFrame, columns=CAME), compare=False)

    def since(self, life_id: NDArray[np.object_], time: pd.Timestamp, until: pd.Series) -> Array:
        """What the falls that came since `time` had added up to (n,) by the dates `until` (n,) of each life."""
        asked = pd.Series(pd.to_datetime(until).to_numpy(), index=life_id)
        when = self.came["time_after"]
        told = self.came[(when > time) & (when <= asked.reindex(self.came["life_id"]).to_numpy())]
        return np.asarray(told.groupby("life_id")["size"].sum().reindex(life_id).fillna(0.0), dtype=np.float64)

    def draw(self, rng: np.random.Generator) -> Falls:
        """One possible world: every rate drawn from what is known of it, and when falls come where they come together."""
        if not any(law.company for law in self.laws.values()):
            return replace(self, laws={name: law.draw(rng) for name, law in self.laws.items()})
        seed, laws, drawn = int(rng.integers(2**32)), {}, dict[Company, tuple[float, SiteEvents]]()
        for name, law in self.laws.items():
            if law.company is None:
                laws[name] = law.draw(rng)
                continue
            if law.company not in drawn:
                drawn[law.company] = law.company.draw(rng, (seed, len(drawn)))
            laws[name] = law.in_company(law.company, *drawn[law.company])
        return replace(self, laws=laws)

    def remarks(self, part: Mapping[str, float] | None = None) -> tuple[str, ...]:
        """What was learnt, in words; part: of the ends within a year, by kind, those that falls bring."""
        kinds = []
        for name, law in self.laws.items():
            if law.seen:
                years = f"{law.watched:.0f} sensor-years"
                kinds.append(f"{name} {law.rate:.2f} ({law.seen} in {years}), usually {100 * np.expm1(-law.usual):.0f} %")
                kinds[-1] += ", several of a site together" if law.company else ""
                if part is not None and name in part:
                    kinds[-1] += f", {100 * part[name]:.0f} % of the ends within a year"
        text = (
            "Sensors of these kinds now and then lose part of their sensitivity at once and go on (steps down in their records). "
            "Such falls will come again, and forecasts of ends contain them; falls a sensor and year: "
        )
        return (text + "; ".join(kinds),) if kinds else ()

    def spared(self, lives: pd.DataFrame) -> pd.DataFrame:
        """The lives with those that a fall ended as cut short by it: the falls tell of such ends, and nothing else is to."""
        fell = lives["life_id"].isin(self.ended) & (lives["end_kind"] == "sudden")
        return lives.assign(end_kind=lives["end_kind"].mask(fell, "censored")) if fell.any() else lives


NONE = Falls({})


def falls_of(hazard: object) -> Falls:
    """The falls that a hazard of sudden ends knows of; none where it is nothing but a hazard."""
    found = getattr(hazard, "falls", NONE)
    return found if isinstance(found, Falls) else NONE


def that_count(laws: Sequence[FallLaw | None], days: float) -> Sequence[FallLaw | None]:
    """The laws, of several worlds; none at all where in no world a fall within `days` is more than NEGLIGIBLE.

    P(end by t) = E[F_S(t)] is then F_0(t) but for less than the chance of any fall.
    """
    return laws if any(law is not None and law.any_within(days) > NEGLIGIBLE for law in laws) else [None] * len(laws)


def weights_of(
    laws: Sequence[FallLaw | None], days: Array, gap: Array, nodes: Array, sites: pd.Series | None = None
) -> Iterator[Array]:
    """Chance (j, n, m) by which each of `nodes` in turn stands for the falls by `days` (m,) from now, in each of j worlds.

    gap: (n,) days before now in which falls may have come unseen; events come from now on. sites: of the lives (n,), missing for
    those that have no date of their own yet; None where no falls come together.
    """
    plain = gap[:, None] + days
    table = np.append(days, days[-1] + max(float(gap.max(initial=0.0)), 1.0))
    place, share = cells(table, plain)
    events = [None if law is None else law.events for law in laws]
    if sites is None or not any(events):
        for weight in _known(laws, table, nodes, [None])[0]:
            yield (1.0 - share) * weight[:, place] + share * weight[:, place + 1]
        return
    code, names = pd.factorize(sites)
    texts = [str(name) for name in names]
    none = np.zeros((len(names), days.size), dtype=np.intp)
    come = np.stack([none if own is None else own.by(texts, days) for own in events])
    most = int(come.max(initial=0))
    come = np.concatenate([come, np.full((len(laws), 1, days.size), most + 1)], axis=1)[:, code]  # a missing site has the code -1
    known = _known(laws, table, nodes, [*range(most + 1), None])
    world = np.arange(len(laws))[:, None, None]
    for k in range(nodes.size):
        yield (1.0 - share) * known[come, k, world, place] + share * known[come, k, world, place + 1]


def _known(laws: Sequence[FallLaw | None], days: Array, nodes: Array, events: Sequence[int | None]) -> Array:
    """Chance (e, k, j, m) by which each of `nodes` stands for the sums by `days` (m,), in each of j worlds, given `events`."""
    still = np.append(1.0, np.zeros(nodes.size - 1))[:, None] * np.ones(days.size)
    return np.array([np.stack([still if law is None else law.weights(days, nodes, e) for law in laws], axis=1) for e in events])


def fallen(chances: Iterable[Array], weights: Iterable[Array]) -> tuple[Array, Array]:
    """Ends with falls to come: cumulative chance (j, n, m) of those by the path itself, and of those by a fall at once.

    chances: of the k nodes in turn, (j, n, m): to have come so near to the limit by each time; it can be no less than for a node
    before. weights: as from `weights_of`.
    """
    worn, struck, near = None, None, None
    for cdf, weight in zip(chances, weights, strict=True):
        if worn is None or struck is None or near is None:
            worn, struck, near = np.zeros_like(cdf), np.zeros_like(cdf), cdf
        near = np.maximum(near, cdf)
        worn[..., 0] += weight[..., 0] * near[..., 0]
        worn[..., 1:] += np.diff(near) * 0.5 * (weight[..., 1:] + weight[..., :-1])
        struck[..., 1:] += np.diff(weight) * 0.5 * (near[..., 1:] + near[..., :-1])
    assert worn is not None and struck is not None
    return np.cumsum(worn, axis=-1), np.cumsum(struck, axis=-1)
