"""Falls to come: sensors that lose part of their sensitivity at once (poisoned, knocked, flooded), now and then, and go on.

The health room finds such steps down in the past of a fleet. How often they come, per sensor and year, and how large they are
is learnt here; `fallen` puts those to come on top of the paths. Falls come at a constant rate whose uncertainty is a gamma law,
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

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammaln, log1p

from ..health.change_points import SIZE_VARIANCE, Rates
from .lifedata import DAYS_PER_YEAR, years_between
from .soft import cells
from .worn import wears_out

Array = NDArray[np.float64]

# Judgements, all of them: what beliefs beforehand are worth, and what counts as a fall
WORTH = 0.5  # falls that the rate held beforehand, that of the search for steps, is worth
WORTHS = np.array([1.0, 2.0, 5.0, 10.0, 20.0, 50.0])  # falls that a technology may be worth in each of its kinds
SIZES_WORTH = 3.0  # falls that the sizes held beforehand are worth
SURE = 4.0  # standard deviations of a reading below which falls are not told from noise
LEAST = 0.05  # ln ratio: a fall of less is none
DEATH = float(-np.log(0.3))  # ln ratio: a fall of more is a death
ALIKE = 0.2  # standard deviation of ln(size) about a fall that was seen
WIDTH = 0.02  # of the cells of sizes
CELLS = 256  # of sums: up to five in ln ratio
TILT = 20.0  # of sums over the whole grid, in ln: what comes back is e^-20 of what it was, and rounding grows to 1e-7 at most
NODES = 5  # sums at which chances are worked out
MOSTLY = 0.5  # share of a kind's falls that ended their sensors, above which these are not counted as falls
KNOWN = 1e9  # years after which a rate counts as known
MONTH = pd.Timedelta(days=30)
ONE_VISIT = pd.Timedelta(hours=24)


@dataclass(frozen=True)
class FallLaw:
    """Falls at once of one kind of sensor.

    shape, years: of the gamma law of their rate per year; sizes (g,): ln ratio, chance (g,) of each; seen: falls of at least
    `least` (ln ratio) in so many sensor-years `watched`.
    """

    shape: float
    years: float
    sizes: Array
    chance: Array
    least: float = LEAST
    seen: int = 0
    watched: float = 0.0

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
        rate = float(rng.gamma(self.shape)) / self.years
        return replace(self, shape=rate * KNOWN, years=KNOWN)

    def sums(self, days: Array) -> Array:
        """Chance (m, CELLS) that falls within `days` (m,) add up to 0, WIDTH, 2 WIDTH, ...; what is missing in 1 is beyond.

        Tilted by an exponential, so that sums beyond the grid do not come back at its beginning (Gruebel and Hermesmeier 1999,
        ASTIN Bulletin 29:197-214; from memory).
        """
        place = np.rint(self.sizes / WIDTH).astype(np.intp)
        tilt = np.exp(-TILT * np.arange(CELLS) / CELLS)
        one = np.bincount(place, weights=self.chance, minlength=CELLS) * tilt
        years = np.maximum(np.asarray(days, dtype=float), 0.0)[:, None] / DAYS_PER_YEAR
        # scipy's log1p: numpy's loses the digits of a complex number near 0, which the tilt then makes large
        log = -self.shape * log1p(years / self.years * (1.0 - np.fft.rfft(one)))
        return np.maximum(np.fft.irfft(np.exp(log), CELLS) / tilt, 0.0)

    def nodes(self, most: float) -> Array:
        """Sums (k,) of falls at which chances are worked out: none, then from the least fall to `most`."""
        return np.append(0.0, np.geomspace(self.sizes[0], max(most, 2.0 * self.sizes[0]), NODES))

    def weights(self, days: Array, nodes: Array) -> Array:
        """Chance (k, m) by which each of `nodes` stands for the sums within `days` (m,); sums between two are shared."""
        sums = np.arange(CELLS) * WIDTH
        upper = np.clip(np.searchsorted(nodes, sums, side="left"), 1, nodes.size - 1)
        share = np.clip((sums - nodes[upper - 1]) / (nodes[upper] - nodes[upper - 1]), 0.0, 1.0)
        part = np.zeros((nodes.size, CELLS))
        part[upper - 1, np.arange(CELLS)] = 1.0 - share
        part[upper, np.arange(CELLS)] += share
        weight = part @ self.sums(days).T
        weight[-1] += np.maximum(1.0 - weight.sum(axis=0), 0.0)
        return np.asarray(weight / weight.sum(axis=0))


@dataclass(frozen=True)
class Falls:
    """The law of falls of each kind of sensor that has any; ended: lives (life_id) that such a fall ended at once."""

    laws: Mapping[str, FallLaw]
    ended: frozenset[str] = field(default_factory=frozenset)

    def draw(self, rng: np.random.Generator) -> Falls:
        """One possible world: every rate drawn from what is known of it."""
        return replace(self, laws={name: law.draw(rng) for name, law in self.laws.items()})

    def remarks(self, part: Mapping[str, float] | None = None) -> tuple[str, ...]:
        """What was learnt, in words; part: of the ends within a year, by kind, those that falls bring."""
        kinds = []
        for name, law in self.laws.items():
            if law.seen:
                years = f"{law.watched:.0f} sensor-years"
                kinds.append(f"{name} {law.rate:.2f} ({law.seen} in {years}), usually {100 * np.expm1(-law.usual):.0f} %")
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


def learn_falls(lives: pd.DataFrame, readings: pd.DataFrame, steps: pd.DataFrame, deviations: pd.DataFrame) -> Falls:
    """The laws of falls of all kinds of sensors that wear.

    lives, readings: as they are after the search for faults; steps, deviations: what it found (`health.Oddities`). A step up is
    no fall, and neither is one that is too small to be found whenever it comes.
    """
    worn = lives[wears_out(lives)]
    home = worn.set_index("life_id")[["stratum", "technology", "site"]]
    noise = deviations["deviation_sd"].groupby(deviations["life_id"].map(home["stratum"])).median()
    watched = pd.Series(_watched(worn, readings), index=worn.index).groupby(worn["stratum"]).sum()
    fell = steps[(steps["kind"] == "down") & steps["life_id"].isin(home.index)]
    fell = fell.assign(size=-fell["size"].astype(float), stratum=fell["life_id"].map(home["stratum"]))
    least = (SURE * noise).reindex(watched.index).fillna(LEAST).clip(lower=LEAST)
    smallest = least.reindex(fell["stratum"]).to_numpy(float)
    fell = _counted(fell[(fell["size"].to_numpy() >= smallest) & (fell["size"].to_numpy() < DEATH)])
    seen = fell["stratum"].value_counts().reindex(watched.index).fillna(0).astype(int)
    laws = {}
    for _, kinds in worn.drop_duplicates("stratum").groupby("technology")["stratum"]:
        names = sorted(kinds)
        sizes = fell[fell["stratum"].isin(names)]
        company = _company(sizes, home, (readings["time"].max() - readings["time"].min()) / MONTH)
        count, span = (np.asarray(item[names], dtype=np.float64) / company for item in (seen, watched))
        for name, (shape, years) in zip(names, _rates(count, span)):
            if least[name] < DEATH - WIDTH:
                law = _sizes(sizes["size"].to_numpy(), sizes["std_error"].to_numpy(float), float(least[name]))
                laws[str(name)] = FallLaw(shape, years, *law, float(least[name]), int(seen[name]), float(watched[name]))
    return Falls(laws, frozenset(fell["life_id"][fell["ended"].astype(bool)].astype(str)))


def _counted(fell: pd.DataFrame) -> pd.DataFrame:
    """The falls without those that ended their sensor where most falls of its kind did: such ends are told by its knee, or by the
    hazard of sudden ends, whose constant part they are where headroom is small."""
    ended = fell["ended"].astype(bool)
    return fell[~(ended & (ended.groupby(fell["stratum"]).transform("mean") > MOSTLY))]


def _watched(lives: pd.DataFrame, readings: pd.DataFrame) -> Array:
    """Years (n,) in which a fall would have been seen: up to the last reading of a life that has come to its end, else to the
    visit before, as one low visit may be a bad reading."""
    times = readings["time"].groupby(readings["life_id"])
    last = times.max()
    before = readings["time"][readings["time"] < times.transform("max") - ONE_VISIT].groupby(readings["life_id"]).max()
    first, latest, told = (
        pd.to_datetime(item.reindex(lives["life_id"])).reset_index(drop=True) for item in (times.min(), last, before)
    )
    until = latest.where(lives["end_kind"].isin(("soft", "sudden")).to_numpy(), told)
    return np.nan_to_num(np.maximum(years_between(first, until), 0.0))


def _company(fell: pd.DataFrame, home: pd.DataFrame, months: float) -> float:
    """How many falls count as one, as those of a site come together: by how much more their numbers by site and month vary than
    those of a Poisson law of that mean (index of dispersion: Cox and Lewis 1966, The Statistical Analysis of Series of Events;
    from memory)."""
    if len(fell) < 2:
        return 1.0
    when = pd.to_datetime(fell["time_after"])
    month = (when - when.min()) // MONTH
    site = fell["life_id"].map(home["site"])
    count = fell.groupby([site.to_numpy(dtype=object), month.to_numpy()]).size().to_numpy(float)
    usual = count.sum() / (home["site"].nunique() * max(months, 1.0))
    return float(np.clip((count**2).sum() / count.sum() - usual, 1.0, count.max()))


def _rates(seen: Array, watched: Array) -> list[tuple[float, float]]:
    """Gamma laws (shape, years) of the rates of a technology's kinds, by empirical Bayes: all together first, and then each with
    that for what it is worth, as the differences between them tell."""
    shape, years = WORTH + seen.sum(), WORTH / Rates().down + watched.sum()
    if seen.size == 1:
        return [(float(shape), float(years))]
    mean = shape / years
    worth = WORTHS[:, None]
    chance = worth / (worth + mean * watched)
    log = gammaln(seen + worth) - gammaln(worth) + worth * np.log(chance) + seen * np.log(np.maximum(1.0 - chance, 1e-300))
    belief = np.exp(log.sum(axis=1) - log.sum(axis=1).max())
    own = float(np.exp(belief @ np.log(WORTHS) / belief.sum()))
    return [(own + float(count), own / mean + float(span)) for count, span in zip(seen, watched)]


def _sizes(seen: Array, error: Array, least: float) -> tuple[Array, Array]:
    """Sizes (g,) of falls of at least `least`, and chances (g,): those seen, and the law by which steps are searched for."""
    sizes = WIDTH * np.arange(np.ceil(least / WIDTH), np.ceil(DEATH / WIDTH), dtype=np.float64)
    before = np.exp(-0.5 * (sizes**2 - sizes[0] ** 2) / SIZE_VARIANCE)
    law = SIZES_WORTH * before / before.sum()
    spread = np.sqrt(ALIKE**2 + (error / np.maximum(seen, LEAST)) ** 2)
    for size, wide in zip(seen, spread):
        near = np.exp(-0.5 * (np.log(sizes / max(size, sizes[0])) / wide) ** 2) / sizes
        law = law + near / near.sum()
    return sizes, np.asarray(law / law.sum(), dtype=np.float64)


def weights_of(laws: Sequence[FallLaw | None], days: Array, gap: Array, nodes: Array) -> Iterator[Array]:
    """Chance (j, n, m) by which each of `nodes` in turn stands for the falls by `days` (m,) from now, in each of j worlds.

    gap: (n,) days before now in which falls may have come unseen.
    """
    table = np.append(days, days[-1] + max(float(gap.max(initial=0.0)), 1.0))
    known = np.stack([np.ones((1, table.size)) if law is None else law.weights(table, nodes) for law in laws], axis=1)
    place, share = cells(table, gap[:, None] + days)
    for weight in known:
        yield (1.0 - share) * weight[:, place] + share * weight[:, place + 1]


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
