"""How the ends that came differed from what the paths had foretold, and what ages at the end add: a law for those to come.

Each sensor is looked back on at several past dates, with what its readings up to then said of its path. The end that came, or
the life that went on, is then told by the path with all that was ahead coming so much sooner or later, and by the sensor's age
alone. The shares of these under which what came is likeliest, for sensors near to, on the way to and far from their end by
their path, are the law (linear pool: Stone 1961, Ann. Math. Stat. 32:1339-1342). Dates and not parts of lives are looked back on,
for a part of a life knows how long it became.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..degradation.paces import STEADY, Paces
from .falls import NONE, FallLaw, Falls, that_count
from .lifedata import DAYS_PER_YEAR, years_between
from .soft import cells, default_grid, nearer, placed_cdf, scaled, thinned, widened_grid
from .sudden import SuddenLife
from .worn import gas_in, soft_ends, wears_out

if TYPE_CHECKING:
    from ..degradation import AgeingModel
    from ..degradation.places import Places
    from ..degradation.posterior import PathPosterior

Array = NDArray[np.float64]

FAR = (0.3, 1.0)  # remaining life foretold by the path, as a share of the age, between the three stages that have shares
LOGS = np.linspace(-1.5, 2.1, 25)  # ln of how much sooner the end comes than foretold
FACTORS = np.exp(LOGS)
WITHIN = np.exp(0.05 * np.array([-1.0, 0.0, 1.0]))  # what one of these stands for
SPREADS = np.array([0.15, 0.3, 0.5, 0.8])  # of ln(factor)
AGES = np.array([0.0, 0.1, 0.3, 0.6, 0.9])  # share of the ages at the end
EVEN = 0.5  # belief beforehand that ends come as the paths say
MIDDLE, SPREAD = 0.3, 0.3  # how the belief in other laws falls off with the middle and the spread of ln(factor)
ODD = 0.03  # share of ends that no law is to explain: steps, mistakes of the records
LEAST_CHANCE = 0.5  # of another law, for it to be followed: without need it only widens the forecasts
FEWEST_ENDS = 5
FAMILIES = ("weibull", "lognormal")
DATES = 8  # looked back on, evenly over the records but their beginning
GRID = default_grid(3650.0)[::2]
MOST_LIVES = 600  # of a kind that are looked back on: more would hardly move the law
AT_LIMIT = np.zeros(1)
LEAST = 1e-6  # probability that even the unforeseen is given


@dataclass(frozen=True)
class EndLaw:
    """The law of the soft ends, by stratum.

    ages: the fitted life distributions; share: stratum -> (3, len(LOGS) + 1), for sensors near to, on the way to and far from
    their end by their path: the path at each of FACTORS, then the age; ends: stratum -> ends it was learnt from.
    """

    ages: AgesAtEnd
    share: Mapping[str, Array]
    ends: Mapping[str, int]

    @property
    def remark(self) -> str:
        """What was learnt, in words."""
        kinds = []
        for name, share in self.share.items():
            factor = np.exp(share[:, :-1] @ LOGS / np.maximum(share[:, :-1].sum(axis=1), LEAST))
            near, way, far = (f"{1.0 / middle:.2f}" for middle in factor)
            ages = ", ".join(f"{100.0 * own:.0f}" for own in share[:, -1])
            kinds.append(
                f"{name} ({self.ends[name]} ends): {near} near the end, {way} on the way, {far} far from it; ages {ages} %"
            )
        return (
            "From the ends that came, forecasts learnt how far paths mislead: ends come after so much of the time that the path "
            "foretells, and ages at the end have so much of a say beside it near the end, on the way and far from it: "
            + "; ".join(kinds)
        )

    def soft(
        self,
        path: PathPosterior,
        ages: Array,
        days: Array,
        margin: float,
        lives: pd.DataFrame,
        as_of: pd.Timestamp,
        places: Places | None = None,
        nodes: Array = AT_LIMIT,
    ) -> Iterator[Array]:
        """Chance (n, m) to have come within each of `nodes` (k,) of the soft end by each of `days`, of lives (n,) of a stratum
        that it covers; places: of their knees. Ages at the end contain falls, and say the same at every node."""
        wide = widened_grid(days, FACTORS)

        def at(when: Array, limit: float) -> Array:
            return placed_cdf(path, ages, when, limit, places)

        plain = at(wide, margin)
        share = self.share[path.stratum][stage(plain, wide, ages)]
        rows = np.flatnonzero(share[:, -1])
        by_age = np.zeros((0, days.size))
        if rows.size:
            by_age = share[rows, -1:] * self.ages.conditional_cdf(lives.iloc[rows], as_of, days, plain[rows, : days.size])
        for node in nodes:
            cdf = plain if node == 0.0 else thinned(at, wide, nearer(margin, node))
            pooled = scaled(cdf, wide, days, FACTORS, share[:, :-1])
            pooled[rows] += by_age
            pooled[:, 0] = cdf[:, 0]  # where it stands now is not in doubt
            yield np.maximum.accumulate(pooled, axis=1)


@dataclass(frozen=True)
class AgesAtEnd:
    """Life distributions of the soft ends. reached: stratum -> age (years) that FEWEST_ENDS of its sensors have reached.

    Beyond that age a fitted life distribution is a guess, and with few ends a long one: from there on a sensor goes on no
    longer than its path says. A path without one reading on it is the worse guess: of strata that are not among those `valued`
    (names of those with readings that have a value) ages speak throughout.
    """

    life: SuddenLife
    reached: Mapping[str, float]

    @classmethod
    def learn(cls, told: pd.DataFrame, as_of: pd.Timestamp, valued: set[str]) -> AgesAtEnd:
        last = told["ended"].where(told["end_kind"] == "sudden", told["last_alive"])
        age = pd.Series(years_between(told["installed"], last), index=told.index).fillna(0.0)
        few = age.groupby(told["stratum"]).nlargest(FEWEST_ENDS).groupby(level=0).min()
        life = SuddenLife(families=FAMILIES, n_draws=8).fit(told, as_of)
        return cls(life, {str(name): float(oldest) if name in valued else np.inf for name, oldest in few.items()})

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: Array, path: Array) -> Array:
        """Chance (n, m) of the soft end within `days` (m,) by age; path (n, m): the same by the path."""
        age = years_between(lives["installed"], as_of)
        known = (lives["stratum"].map(self.reached).to_numpy(float) - age) * DAYS_PER_YEAR
        cdf = self.life.conditional_cdf(lives, as_of, days)
        here = np.maximum(known, 0.0)
        place, share = cells(days, here)
        rows = np.arange(here.size)
        left, on = (1.0 - (1.0 - share) * item[rows, place] - share * item[rows, place + 1] for item in (cdf, path))
        beyond = left[:, None] * np.clip((1.0 - path) / np.maximum(on, LEAST)[:, None], 0.0, 1.0)
        return np.where(days > here[:, None], np.maximum(cdf, 1.0 - beyond), cdf)


def stage(soft: Array, days: Array, age_years: Array) -> NDArray[np.intp]:
    """How far from the end (n,) each path says it is: 0 near, 1 on the way, 2 far."""
    reached = soft >= 0.5
    median = np.where(reached.any(axis=1), days[reached.argmax(axis=1)], np.inf)
    return np.searchsorted(np.array(FAR), median / np.maximum(age_years * DAYS_PER_YEAR, 1.0), side="right")


def learn_end_law(
    ageing: AgeingModel,
    lives: pd.DataFrame,
    readings: pd.DataFrame,
    as_of: pd.Timestamp,
    margin: float,
    paces: Mapping[str, Paces],
    places: Mapping[str, Places],
    falls: Falls = NONE,
) -> EndLaw | None:
    """The law of the soft ends from the records up to the as-of date, with falls foretold beside it; None with too few ends."""
    told = soft_ends(lives[wears_out(lives)], readings, float(np.log1p(margin)), gas_in(ageing.residuals_).to_numpy())
    count = told["stratum"][told["end_kind"] == "sudden"].value_counts()
    ends = {str(name): int(number) for name, number in count.items() if number >= FEWEST_ENDS}
    if not ends:
        return None
    valued = set(readings["stratum"][readings["censoring"] == 0])
    ages = AgesAtEnd.learn(told, as_of, valued)
    begin = readings["time"].min()
    dates = [begin + (as_of - begin) * (k + 2) / (DATES + 2) for k in range(DATES)]
    place = told.groupby("stratum").cumcount() % -(-told.groupby("stratum")["life_id"].transform("size") // MOST_LIVES)
    back = told[place == 0].set_index("life_id")
    seen: dict[str, list[_Seen]] = {}
    for date in dates:
        age = pd.Series(years_between(back["installed"], date), index=back.index)
        for name, (path, then) in ageing.known_until(age).items():
            if name in ends:
                (law,) = that_count([falls.laws.get(name)], GRID[-1])
                seen.setdefault(name, []).append(_what_came(path, then, back, ages, margin, places.get(name), law))
    share = {}
    for name, items in seen.items():
        found = _shares(items, paces.get(name, STEADY)) if name in valued else _ages_alone()
        if found is not None:
            share[name] = found
    return EndLaw(ages, share, ends) if share else None


@dataclass(frozen=True)
class _Seen:
    """Lives of one stratum looked back on at one date: ids (n,), stages (n,), and the chance (n, len(LOGS) + 1) that the path at
    each factor, and the age, gave to what came."""

    life_id: NDArray[np.object_]
    stage: NDArray[np.intp]
    likelihood: Array


def _what_came(
    path: PathPosterior,
    age: Array,
    back: pd.DataFrame,
    ages: AgesAtEnd,
    margin: float,
    places: Places | None,
    falls: FallLaw | None,
) -> _Seen:
    own = back.reindex(path.life_id).reset_index()
    died = (own["end_kind"] == "sudden").to_numpy()
    low = (years_between(own["installed"], own["last_alive"]) - age) * DAYS_PER_YEAR
    high = np.where(died, (years_between(own["installed"], own["ended"]) - age) * DAYS_PER_YEAR, np.inf)
    kept = np.flatnonzero((low > -0.5) & (high > np.maximum(low, 0.0)) & ((low > 0.5) | died))
    low, high = np.maximum(low[kept], 0.0), high[kept]
    wide = widened_grid(GRID, FACTORS)
    then, nodes, weights = path.take(kept), AT_LIMIT, np.ones((1, GRID.size))
    if falls is not None and kept.size:
        nodes = falls.nodes(then.highest - float(np.log1p(margin)))
        weights = falls.weights(GRID, nodes)

    def at(when: Array, limit: float) -> Array:
        return placed_cdf(then, age[kept], when, limit, places, back=True)

    cdf = at(wide, margin)
    cdfs = np.stack([cdf, *(thinned(at, wide, nearer(margin, node)) for node in nodes[1:])], axis=1)
    moment = ages.life.as_of_
    asked = own.iloc[kept].assign(installed=moment - pd.to_timedelta(age[kept] * DAYS_PER_YEAR, unit="D"))
    by_age = ages.conditional_cdf(asked, moment, GRID, cdf[:, : GRID.size])
    open_, lived = ~np.isfinite(high), low > 0.0
    until = np.where(open_, 0.0, high)
    by_path = np.where(open_[:, None], 1.0, _ended(wide, cdfs, weights, until))
    by_path -= np.where(lived[:, None], _ended(wide, cdfs, weights, low), 0.0)
    on_age = np.where(open_, 1.0, _read(by_age, until)) - np.where(lived, _read(by_age, low), 0.0)
    chance = np.column_stack([by_path, on_age])
    return _Seen(path.life_id[kept], stage(cdf, wide, age[kept]), np.maximum(chance, LEAST))


def _read(values: Array, days: Array) -> Array:
    """Rows (n, len(GRID)) each read at its own of `days` (n,)."""
    place, share = cells(GRID, days)
    rows = np.arange(days.size)
    return np.asarray((1.0 - share) * values[rows, place] + share * values[rows, place + 1])


def _ended(wide: Array, near: Array, weights: Array, days: Array) -> Array:
    """Chance (n, len(FACTORS)) of each life to have ended by its own of `days` (n,) if what is ahead of its path comes so many
    times as soon.

    near (n, k, w): to have come near the limit by each of `wide`; weights (k, len(GRID)): of the nodes, as falls do not come
    sooner.
    """
    place, share = cells(wide, days[:, None] * np.outer(FACTORS, WITHIN).ravel())
    below, above = (np.take_along_axis(near, (place + one)[:, None, :], axis=2) for one in (0, 1))
    come = (1.0 - share)[:, None, :] * below + share[:, None, :] * above
    on, now = cells(GRID, days)
    worth = (1.0 - now) * weights[:, on] + now * weights[:, on + 1]
    return np.einsum("kn,nkf->nf", worth, come.reshape(*come.shape[:2], FACTORS.size, WITHIN.size).mean(axis=3))


def _shares(items: list[_Seen], paces: Paces) -> Array | None:
    """Shares (3, len(LOGS) + 1) of one stratum; None where the past does not ask for them."""
    life = np.concatenate([item.life_id for item in items])
    at, likelihood = np.concatenate([item.stage for item in items]), np.concatenate([item.likelihood for item in items])
    plain = np.append(_as_shares(paces), 0.0)
    found = np.tile(plain, (len(FAR) + 1, 1))
    asked = False
    for k in range(len(found)):
        here = np.flatnonzero(at == k)
        if here.size:
            _, which, times = np.unique(life[here], return_inverse=True, return_counts=True)
            share, chance = _likely(likelihood[here], 1.0 / times[which], plain)
            if chance > LEAST_CHANCE:
                asked, found[k] = True, share
    return found if asked else None


def _ages_alone() -> Array:
    """Shares of a stratum whose tests only passed or failed: a path without one reading on it is a guess, ages are not."""
    return np.tile(np.append(np.zeros(LOGS.size), 1.0), (len(FAR) + 1, 1))


def _as_shares(paces: Paces) -> Array:
    """A law of paces as shares (len(LOGS),) of FACTORS."""
    share = np.zeros(LOGS.size)
    np.add.at(share, np.abs(np.log(paces.factor)[:, None] - LOGS).argmin(axis=1), paces.weight)
    return share


def _likely(likelihood: Array, worth: Array, plain: Array) -> tuple[Array, float]:
    """Mean of the shares (k,) given what came, likelihood (n, k), each worth so much (n,); chance that they are not `plain`.

    Beforehand the plain shares are held as likely as all laws together in which ln(factor) is normal and ages have a share.
    """
    middle, spread, age = (grid.ravel() for grid in np.meshgrid(LOGS, SPREADS, AGES, indexing="ij"))
    laws = np.exp(-0.5 * ((LOGS - middle[:, None]) / spread[:, None]) ** 2)
    laws *= ((1.0 - age) / laws.sum(axis=1))[:, None]
    shares = np.vstack([plain, np.column_stack([laws, age])])
    belief = np.exp(-np.abs(middle) / MIDDLE) * np.exp(-spread / SPREAD) * (age + 0.1) ** -1.0
    prior = np.append(EVEN, (1.0 - EVEN) * belief / belief.sum())
    unforeseen = ODD * likelihood.mean(axis=1)[:, None]
    log = np.log((1.0 - ODD) * likelihood @ shares.T + unforeseen).T @ worth + np.log(prior)
    chance = np.exp(log - log.max())
    chance /= chance.sum()
    return chance @ shares, float(1.0 - chance[0])
