"""Life data with every kind of censoring and truncation, validated once at the door."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ..errors import FitError
from ..technologies import flat_technologies

Array = NDArray[np.float64]

DAYS_PER_YEAR = 365.25
_MANY = 4_000  # lives without a death from which on ages are put on a grid, and
_AGES = 1_000  # ages on it
_FEWEST_GAPS = 6  # with fewer deaths between tests, how they show cannot be told
SECONDS_PER_YEAR = 86_400.0 * DAYS_PER_YEAR


@dataclass(frozen=True)
class LifeData:
    """Lives seen under left truncation and right, left or interval censoring. All arrays (n,), ages in one unit.

    entry: age at which the life came under observation (0: from its start). lower, upper: the death lies in (lower,
    upper]; upper = inf: still alive at `lower` (right-censored); lower = upper: died at exactly that age; lower =
    entry: left-censored since it came under observation. weight: how many such lives.
    """

    entry: Array
    lower: Array
    upper: Array
    weight: Array

    @classmethod
    def of(cls, lower: ArrayLike, upper: ArrayLike, entry: ArrayLike | None = None, weight: ArrayLike | None = None) -> LifeData:
        """Validated life data.

        Raises FitError where an age is missing or negative, an interval runs backwards, or observation begins after
        the end.
        """
        low = np.atleast_1d(np.asarray(lower, dtype=float))
        high = np.broadcast_to(np.asarray(upper, dtype=float), low.shape).astype(float)
        start = np.broadcast_to(0.0 if entry is None else np.asarray(entry, dtype=float), low.shape).astype(float)
        count = np.broadcast_to(1.0 if weight is None else np.asarray(weight, dtype=float), low.shape).astype(float)
        faults = {
            "an age is missing": np.isnan(low) | np.isnan(high) | np.isnan(start) | ~(count >= 0),
            "an age is negative": (low < 0) | (start < 0),
            "the interval ends before it begins": high < low,
            "observation begins after the last age known alive": start > low,
            "a death at age nought": high <= 0,
        }
        for fault, where in faults.items():
            if where.any():
                first = int(np.flatnonzero(where)[0])
                raise FitError(
                    f"life {first + 1} of {low.size}: {fault} (entry {start[first]:g}, lower {low[first]:g}, upper "
                    f"{high[first]:g}); give entry <= lower <= upper, upper = inf where still alive"
                )
        return cls(start, low, high, count)

    @property
    def died(self) -> NDArray[np.bool_]:
        """(n,) whether the life ended by death."""
        return np.isfinite(self.upper)

    @property
    def deaths(self) -> float:
        """Number of deaths, with weights."""
        return float(self.weight[self.died].sum())

    @property
    def exposure(self) -> float:
        """Life under observation, summed over lives; an interval counts to its middle."""
        end = np.where(self.died, 0.5 * (self.lower + np.where(self.died, self.upper, 0.0)), self.lower)
        return float(np.sum(self.weight * (end - self.entry)))

    def take(self, index: ArrayLike) -> LifeData:
        """The lives `index` (positions or mask)."""
        chosen = np.asarray(index)
        return LifeData(self.entry[chosen], self.lower[chosen], self.upper[chosen], self.weight[chosen])


def condensed(data: LifeData) -> LifeData:
    """Data of nearly the same log-likelihood, not to be counted: of very many lives without a death only ages on a grid.

    Such a life adds H(entry) - H(lower), H being the cumulative hazard, which is taken as linear between the ages of the grid: an
    error of the square of their distance, some days (tested).
    """
    died = data.died
    if (~died).sum() < _MANY:
        return data
    ages = np.linspace(0.0, float(data.lower[~died].max()), _AGES)
    known = np.zeros(_AGES)
    for age, weight in ((data.lower[~died], data.weight[~died]), (data.entry[~died], -data.weight[~died])):
        place = np.minimum((age / ages[1]).astype(int), _AGES - 2)
        share = age / ages[1] - place
        known += np.bincount(place, weight * (1.0 - share), _AGES) + np.bincount(place + 1, weight * share, _AGES)
    dead = data.take(died)
    grid = LifeData(np.zeros(_AGES), ages, np.full(_AGES, np.inf), known)
    parts = zip(*((one.entry, one.lower, one.upper, one.weight) for one in (dead, grid)))
    return LifeData(*(np.concatenate(part) for part in parts))


def life_data(lives: pd.DataFrame, as_of: pd.Timestamp) -> LifeData:
    """Ages in years at sudden death from a table of lives, standing on the as-of date.

    A death is an end of kind "sudden"; for a technology without a soft end (galvanic oxygen) "soft" is a death too,
    since there a worn-out sensor is one whose lead is used up. When it died: between the last test it passed and the
    one it failed; where no failed test is on record, at its removal if such removals come at any time between tests
    (something else showed the death), else between the last passed test and the removal. Every other end is
    right-censored. A running life is right-censored at the as-of date where deaths show at once, at its last passed
    test where most are found by tests, or where that test is more than a year old.
    """
    as_of = pd.Timestamp(as_of)
    installed = lives["installed"]
    ended = lives["ended"].where(lives["ended"] <= as_of)
    kind = lives["end_kind"]
    died = (ended.notna() & ((kind == "sudden") | ((kind == "soft") & lives["technology"].isin(flat_technologies())))).to_numpy()

    good = lives["last_alive"].where(lives["last_alive"] <= as_of).fillna(lives["entered"])
    last_test = lives["last_test"].where(lives["last_test"] <= ended.fillna(as_of))
    failed = died & (last_test > good).to_numpy()
    noticed = died & ~failed
    gap = years_between(good, ended)
    at_any_time = _come_at_any_time(gap[noticed])
    found_by_test = failed.sum() + (0 if at_any_time else noticed.sum()) > 0.5 * died.sum()
    trusted = (not found_by_test) & ((as_of - good) <= pd.Timedelta(days=DAYS_PER_YEAR))

    running_end = good.where(~trusted, as_of)
    upper = ended.where(~pd.Series(failed, index=lives.index), last_test).fillna(running_end)
    upper_age = np.maximum(years_between(installed, upper), 1e-6)
    entry = np.clip(years_between(installed, lives["entered"].fillna(installed)), 0.0, upper_age)
    lower_age = np.where(died, np.clip(years_between(installed, good), entry, upper_age), upper_age)
    if at_any_time:
        lower_age[noticed] = upper_age[noticed]
    return LifeData.of(lower_age, np.where(died, upper_age, np.inf), entry)


def _come_at_any_time(gap: Array) -> bool:
    """Whether times since the last test spread evenly (mean half the longest), not gathered at one test interval."""
    return gap.size >= _FEWEST_GAPS and float(np.mean(gap)) < 0.72 * float(np.quantile(gap, 0.95))


def years_between(since: pd.Series, when: pd.Series | pd.Timestamp) -> Array:
    """Years (n,) from `since` to `when`; NaN where either is missing."""
    return np.asarray((when - since).dt.total_seconds().to_numpy(dtype=float) / SECONDS_PER_YEAR, dtype=float)
