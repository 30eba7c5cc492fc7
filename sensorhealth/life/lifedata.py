"""Life data with every kind of censoring and truncation, validated once at the door."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ..errors import FitError
from ..technologies import technologies

Array = NDArray[np.float64]

DAYS_PER_YEAR = 365.25
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
    def of(
        cls, lower: ArrayLike, upper: ArrayLike, entry: ArrayLike | None = None, weight: ArrayLike | None = None
    ) -> LifeData:
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


def life_data(lives: pd.DataFrame, as_of: pd.Timestamp) -> LifeData:
    """Ages in years at sudden death from a table of lives, standing on the as-of date.

    A death is an end of kind "sudden"; for a technology without a soft end (galvanic oxygen) "soft" is a death too,
    since there a worn-out sensor is one whose lead is used up. The death lies between the last time the sensor was
    known good and its removal. Every other end, and a life that still runs, is right-censored: a running one at the
    as-of date, because daily functional tests would have shown a dead one, unless its last test is more than a year
    old; then at that test.
    """
    as_of = pd.Timestamp(as_of)
    installed = lives["installed"]
    technology = lives["technology"].map(lambda name: name in technologies() and not technologies()[name].soft_end)
    kind = lives["end_kind"].to_numpy(dtype=object)
    ended = lives["ended"].where(lives["ended"] <= as_of)
    over = ended.notna().to_numpy()
    died = over & ((kind == "sudden") | ((kind == "soft") & technology.to_numpy(dtype=bool)))

    last_alive = lives["last_alive"].where(lives["last_alive"] <= as_of).fillna(lives["entered"])
    seen_lately = (as_of - last_alive) <= pd.Timedelta(days=DAYS_PER_YEAR)
    running_end = last_alive.where(~seen_lately, as_of)
    end = ended.fillna(running_end)
    upper_age = np.maximum(years_between(installed, end), 1e-6)
    entry = np.clip(years_between(installed, lives["entered"].fillna(installed)), 0.0, upper_age)
    good = np.clip(years_between(installed, last_alive), entry, upper_age)
    lower_age = np.where(died, good, upper_age)
    return LifeData.of(lower_age, np.where(died, upper_age, np.inf), entry)


def years_between(since: pd.Series, when: pd.Series | pd.Timestamp) -> Array:
    """Years (n,) from `since` to `when`; NaN where either is missing."""
    return (when - since).dt.total_seconds().to_numpy(dtype=float) / SECONDS_PER_YEAR
