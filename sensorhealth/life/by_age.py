"""Ages at which sensors of one kind wore out, as a second opinion on how long the others have.

A path foretells the end well where it is near, and where its shape is known. Far from it, the ages at which others of its
kind came to theirs may say more. Which of the two is to be believed, and by how much, is learnt from the past of the fleet:
each sensor's end is foretold from a part of its readings by its path, and from its age alone; the shares are those under which
the ends that came, and the lives that went on, are likeliest (linear pool: Stone 1961, Ann. Math. Stat. 32:1339-1342).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..degradation.paces import STEADY, Paces
from ..technologies import technologies
from .lifedata import DAYS_PER_YEAR, years_between
from .soft import default_grid, paced_cdf
from .sudden import SuddenLife

if TYPE_CHECKING:
    from ..degradation import AgeingModel
    from ..degradation.posterior import PathPosterior

Array = NDArray[np.float64]

FAR = (0.3, 1.0)  # remaining life foretold by the path, as a share of the age, between the three stages that have shares
PRIOR = (10.0, 0.5)  # ends' worth of belief in the path and in the age
CLEAR = 3.0  # log likelihood that a share of the age must gain: a share for nothing only widens the forecasts
FEWEST_ENDS = 5
FAMILIES = ("weibull", "lognormal")
ROUNDS = 60
GRID = default_grid(3650.0)
LEAST = 1e-6  # probability that even the unforeseen is given


@dataclass(frozen=True)
class ByAge:
    """Ages at the soft end, and how far they are believed.

    ages: the fitted life distribution, by stratum. share: stratum -> (3,) share of the ages in the forecast of sensors near,
    on the way to and far from their end by their path; ends: stratum -> ends it was learnt from.
    """

    ages: SuddenLife
    share: Mapping[str, Array]
    ends: Mapping[str, int]

    @property
    def remark(self) -> str:
        """How far ages are believed, in words."""
        kinds = [
            f"{name} {100 * share[0]:.0f}, {100 * share[1]:.0f} and {100 * share[2]:.0f} % ({self.ends[name]} ends)"
            for name, share in self.share.items()
        ]
        return (
            "The ages at which others of a kind wore out have a share in the forecast of the soft end, for sensors near to it, "
            f"on the way and far from it: {'; '.join(kinds)}"
        )

    def blend(self, soft: Array, lives: pd.DataFrame, as_of: pd.Timestamp, days: Array, age_years: Array) -> Array:
        """Chance (n, m) of the soft end by each of `days`, the path's `soft` (n, m) pooled with that of the age."""
        none = np.zeros(len(FAR) + 1)
        table = np.stack([self.share.get(name, none) for name in lives["stratum"]]) if len(lives) else np.zeros((0, 3))
        share = table[np.arange(len(lives)), stage(soft, days, age_years)]
        rows = np.flatnonzero(share)
        if not rows.size:
            return soft
        pooled = soft.copy()
        by_age = self.ages.conditional_cdf(lives.iloc[rows], as_of, days)
        here = share[rows, None]
        pooled[rows] = (1.0 - here) * soft[rows] + here * by_age
        return pooled


def stage(soft: Array, days: Array, age_years: Array) -> NDArray[np.intp]:
    """How far from the end (n,) each path says it is: 0 near, 1 on the way, 2 far."""
    reached = soft >= 0.5
    median = np.where(reached.any(axis=1), days[reached.argmax(axis=1)], np.inf)
    return np.searchsorted(np.array(FAR), median / np.maximum(age_years * DAYS_PER_YEAR, 1.0), side="right")


def soft_ends(lives: pd.DataFrame, readings: pd.DataFrame, limit: float) -> pd.DataFrame:
    """The lives with their soft ends told as life data takes deaths: between the last reading above the limit and the first of
    those below it, or the removal as worn; every other life goes on to its last reading or its end.
    """
    low = (readings["log_ratio"] <= limit) | (readings["censoring"] < 0)
    good = readings["time"][~low].groupby(readings["life_id"]).max()
    after = ~(readings["time"].to_numpy() < good.reindex(readings["life_id"]).to_numpy())
    first_low = readings["time"][low & after].groupby(readings["life_id"]).min()
    ids = pd.Index(lives["life_id"])
    seen = {
        name: pd.to_datetime(times.reindex(ids)).to_numpy() for name, times in (("last_good", good), ("first_low", first_low))
    }
    known = lives.assign(**seen, ended=pd.to_datetime(lives["ended"]))
    worn = known["first_low"].notna() | (known["end_kind"] == "soft")
    found = known["first_low"].fillna(known["ended"]).where(worn, known["ended"])
    alive = known["last_good"].fillna(known["entered"])
    alive = alive.where(~(alive > found), found)
    kind = known["end_kind"].where(known["ended"].isna(), "censored").mask(worn, "sudden")
    told = known.assign(ended=found, end_kind=kind, last_alive=alive.where(worn, known["last_alive"]), last_test=found)
    return told.drop(columns=["last_good", "first_low"])


def wears_out(lives: pd.DataFrame) -> NDArray[np.bool_]:
    """Which lives (n,) are of a technology whose headroom leads to the end."""
    flat = [name for name, facts in technologies().items() if not facts.soft_end]
    return ~lives["technology"].isin(flat).to_numpy(dtype=bool)


def learn_by_age(
    ageing: AgeingModel,
    lives: pd.DataFrame,
    readings: pd.DataFrame,
    as_of: pd.Timestamp,
    margin: float,
    paces: Mapping[str, Paces],
) -> ByAge | None:
    """Ages at the soft end and how far to believe them, from the records up to the as-of date; None with too few ends."""
    told = soft_ends(lives[wears_out(lives)], readings, float(np.log1p(margin)))
    count = told["stratum"][told["end_kind"] == "sudden"].value_counts()
    ends = {str(name): int(number) for name, number in count.items() if number >= FEWEST_ENDS}
    if not ends:
        return None
    ages = SuddenLife(families=FAMILIES, n_draws=8).fit(told, as_of)
    share: dict[str, Array] = {}
    for name, early in ageing.from_beginnings().items():
        if name in ends:
            found = _shares(early, told.set_index("life_id"), ages, margin, paces.get(name, STEADY))
            share |= {name: found} if found.any() else {}
    return ByAge(ages, share, ends) if share else None


def _shares(early: list[tuple[PathPosterior, Array]], told: pd.DataFrame, ages: SuddenLife, margin: float, paces: Paces) -> Array:
    """Share (3,) of the age at each stage, for one stratum whose paths were known `early`, at those ages (years)."""
    likely, stages, days = [], [], GRID
    for path, age in early:
        own = told.loc[pd.Index(path.life_id)].reset_index()
        died = (own["end_kind"] == "sudden").to_numpy()
        low = (years_between(own["installed"], own["last_alive"]) - age) * DAYS_PER_YEAR
        high = np.where(died, (years_between(own["installed"], own["ended"]) - age) * DAYS_PER_YEAR, np.inf)
        kept = np.flatnonzero((low > 0.0) & (high > low))
        moment = ages.as_of_
        then = own.iloc[kept].assign(installed=moment - pd.to_timedelta(age[kept] * DAYS_PER_YEAR, unit="D"))
        soft = paced_cdf(path.take(kept), age[kept], days, margin, paces)
        by_age = ages.conditional_cdf(then, moment, days)
        likely.append(np.stack([_likelihood(cdf, days, low[kept], high[kept]) for cdf in (soft, by_age)]))
        stages.append(stage(soft, days, age[kept]))
    density, at = np.concatenate(likely, axis=1), np.concatenate(stages)
    return np.array([_share(density[:, at == k], 1.0 / len(early)) for k in range(len(FAR) + 1)])


def _likelihood(cdf: Array, days: Array, low: Array, high: Array) -> Array:
    """Chance (n,) of what came: an end between `low` and `high`, or none by `low`."""
    at_low = np.array([np.interp(at, days, row) for at, row in zip(low, cdf)])
    at_high = np.array([1.0 if np.isinf(at) else np.interp(at, days, row) for at, row in zip(high, cdf)])
    return np.maximum(at_high - at_low, LEAST)


def _share(likelihood: Array, worth: float) -> float:
    share = np.array(PRIOR) / sum(PRIOR)
    for _ in range(ROUNDS if likelihood.shape[1] else 0):
        told = share[:, None] * likelihood
        share = worth * (told / told.sum(axis=0)).sum(axis=1) + np.array(PRIOR)
        share /= share.sum()
    gain = worth * float(np.sum(np.log(share @ likelihood) - np.log(likelihood[0])))
    return float(share[1]) if gain > CLEAR else 0.0
