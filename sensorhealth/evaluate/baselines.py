"""Forecasts that users make today, without this library: calendar age, last value, a line per sensor, lot and group
means.

Each reads only what it is given (cut at the as-of date by the caller) and gives distributions, so that it is scored
as the model is: normal forecasts of the next reading and the chance of having ended by each day.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from ..health.headroom import only_passed
from ..life.lifedata import DAYS_PER_YEAR
from ..life.passage import first_passage
from ..life.sudden import SuddenLife

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

LOT_SENSORS = 5  # a lot with fewer sensors with readings is judged with its kind
LINE_READINGS = 3  # a sensor with fewer readings has no line of its own
_LEAST_SD = 0.003


@dataclass(frozen=True)
class History:
    """Readings of n lives as flat arrays, sorted by life and age.

    life: (r,) life of each reading; age: (r,) years; y: (r,) ln headroom ratio; group, stratum: (n,) codes of the lot
    (or of the kind, for small lots) and of the kind; count: (n,) readings; last: (n,) position of the last reading
    (-1 none); now: (n,) age in years on the as-of date.
    """

    life: Ints
    age: Array
    y: Array
    group: Ints
    stratum: Ints
    count: Ints
    last: Ints
    now: Array

    @classmethod
    def of(cls, readings: pd.DataFrame, lives: pd.DataFrame, now: Array) -> History:
        """From the frames of the health room; lives in the order in which forecasts are wanted."""
        place = pd.Index(lives["life_id"]).get_indexer(pd.Index(readings["life_id"]))
        kept = place >= 0
        place, table = place[kept], readings[kept]
        order = np.lexsort((table["age_years"].to_numpy(dtype=float), place))
        life = place[order]
        count = np.bincount(life, minlength=len(lives))
        last = np.where(count > 0, np.cumsum(count) - 1, -1)
        stratum = pd.factorize(lives["stratum"])[0]
        group = _groups(lives, count, stratum)
        values = (table[name].to_numpy(dtype=float)[order] for name in ("age_years", "log_ratio"))
        age, y = values
        return cls(life, age, y, group, stratum, count, last, now)

    def mean_by_life(self, values: Array) -> Array:
        """Mean (n,) over the readings of each life; NaN without readings."""
        with np.errstate(invalid="ignore"):
            return np.bincount(self.life, values, self.count.size) / self.count

    def pairs(self) -> tuple[Ints, Array, Array]:
        """Life, time between (years) and change of y of each pair of successive readings."""
        later = np.flatnonzero(np.diff(self.life) == 0) + 1
        return self.life[later], self.age[later] - self.age[later - 1], self.y[later] - self.y[later - 1]


def _groups(lives: pd.DataFrame, count: Ints, stratum: Ints) -> Ints:
    lot = lives["lot"].to_numpy(dtype=object)
    key = pd.factorize(pd.Series([f"{s}|{name}" for s, name in zip(stratum, lot)]))[0]
    sensors = np.bincount(key, count > 0)
    large = (sensors[key] >= LOT_SENSORS) & (lot != "")
    return np.where(large, key, key.max(initial=0) + 1 + stratum)


def _by_code(code: Ints, top: Array, bottom: Array, wanted: Ints, fallback: float) -> Array:
    """Ratio of sums of `top` and `bottom` over each code, for the codes wanted."""
    size = int(max(code.max(initial=0), wanted.max(initial=0))) + 1
    above, below = np.bincount(code, top, size), np.bincount(code, bottom, size)
    ratio = np.divide(above, below, out=np.full(size, fallback), where=below > 1e-12)
    return ratio[wanted]


class Baseline:
    """One way of forecasting. name: as people would call it."""

    name = ""

    def reading(self, life: Ints, age: Array) -> tuple[Array, Array] | None:
        """Mean and standard deviation (k,) of the reading of each life at an age; None where it forecasts none."""
        return None

    def end_cdf(self, days: Array) -> Array | None:
        """Chance (n, m) of having ended by each day after the as-of date; None where it forecasts no ends."""
        return None


class LastValue(Baseline):
    """The last reading stays as it is; its errors grow as changes between readings have grown with time."""

    name = "last value"

    def __init__(self, history: History) -> None:
        self.history = h = history
        level = _by_code(h.group[h.life], h.y, np.ones(h.y.size), h.group, float(h.y.mean()) if h.y.size else 0.0)
        self.value = np.where(h.last >= 0, h.y[h.last], level) if h.y.size else level
        self.age = np.where(h.last >= 0, h.age[h.last], 0.0) if h.age.size else np.zeros(h.last.size)
        self.slope = self._slope()
        life, gap, change = h.pairs()
        squared = (change - self.slope[life] * gap) ** 2
        self.at_once, self.per_year = _growth(h.stratum[life], gap, squared, h.stratum)

    def _slope(self) -> Array:
        return np.zeros(self.value.size)

    def reading(self, life: Ints, age: Array) -> tuple[Array, Array]:
        """The last value, moved along the slope (none here)."""
        gap = np.maximum(age - self.age[life], 0.0)
        sd = np.sqrt(self.at_once[life] + self.per_year[life] * gap)
        return self.value[life] + self.slope[life] * gap, np.maximum(sd, _LEAST_SD)

    def end_cdf(self, days: Array) -> Array:
        """Chance that a reading at each day would stand at or below the limit."""
        gap = np.maximum(self.history.now - self.age, 0.0)[:, None] + days / DAYS_PER_YEAR
        sd = np.maximum(np.sqrt(self.at_once[:, None] + self.per_year[:, None] * gap), _LEAST_SD)
        below = ndtr(-(self.value[:, None] + self.slope[:, None] * gap) / sd)
        return np.maximum.accumulate(below, axis=1)


def _growth(code: Ints, gap: Array, squared: Array, wanted: Ints) -> tuple[Array, Array]:
    """Variance a + b gap (per year) fitted to squared changes in each group, neither part negative."""
    ones = np.ones(gap.size)
    overall = float(squared.mean()) if squared.size else 0.05**2
    mean_gap, mean_square = (_by_code(code, part, ones, wanted, 0.0) for part in (gap, squared))
    mean_square = np.where(mean_square > 0, mean_square, overall)
    own_gap, own_square = (_by_code(code, part, ones, code, 0.0) for part in (gap, squared))
    cross, spread = (gap - own_gap) * (squared - own_square), (gap - own_gap) ** 2
    slope = np.clip(_by_code(code, cross, spread, wanted, 0.0), 0.0, mean_square / np.maximum(mean_gap, 1e-9))
    return np.maximum(mean_square - slope * mean_gap, 0.0), slope


class LotSlope(LastValue):
    """The last value, moved along the mean slope of the sensor's lot (its kind, where the lot is small)."""

    name = "lot mean slope"

    def _slope(self) -> Array:
        h = self.history
        off_age, off_y = h.age - h.mean_by_life(h.age)[h.life], h.y - h.mean_by_life(h.y)[h.life]
        return _by_code(h.group[h.life], off_age * off_y, off_age**2, h.group, 0.0)


class OwnLine(Baseline):
    """A least-squares line through each sensor's own readings; with fewer than three, the lot's slope."""

    name = "line per sensor"

    def __init__(self, history: History) -> None:
        h, self.fallback = history, LotSlope(history)
        self.history = h
        self.centre, self.mean = h.mean_by_life(h.age), h.mean_by_life(h.y)
        off_age, off_y = h.age - self.centre[h.life], h.y - self.mean[h.life]
        n = h.count.size
        self.spread = np.bincount(h.life, off_age**2, n)
        self.own = (h.count >= LINE_READINGS) & (self.spread > 1e-3)
        safe = np.where(self.own, self.spread, 1.0)
        self.slope = np.where(self.own, np.bincount(h.life, off_age * off_y, n) / safe, 0.0)
        left = (off_y - self.slope[h.life] * off_age) ** 2 * self.own[h.life]
        freedom = (self.own * (h.count - 2) / np.maximum(h.count, 1))[h.life]
        self.noise = np.maximum(_by_code(h.stratum[h.life], left, freedom, h.stratum, 0.05**2), _LEAST_SD**2)

    def reading(self, life: Ints, age: Array) -> tuple[Array, Array]:
        """Least-squares prediction, with the noise of its kind."""
        mean, sd = self.fallback.reading(life, age)
        off = age - self.centre[life]
        line = self.mean[life] + self.slope[life] * off
        safe = np.where(self.own, self.spread, 1.0)[life]
        spread = np.sqrt(self.noise[life] * (1 + 1 / np.maximum(self.history.count[life], 1) + off**2 / safe))
        return np.where(self.own[life], line, mean), np.where(self.own[life], spread, sd)

    def end_cdf(self, days: Array) -> Array:
        """First passage of the line, its level and slope as uncertain as least squares says."""
        h, cdf = self.history, self.fallback.end_cdf(days)
        rows = np.flatnonzero(self.own)
        off = h.now[rows] - self.centre[rows]
        slope_variance = self.noise[rows] / self.spread[rows]
        covariance = np.empty((rows.size, 1, 2, 2))
        covariance[:, 0, 0, 0] = self.noise[rows] / h.count[rows] + off**2 * slope_variance
        covariance[:, 0, 0, 1] = covariance[:, 0, 1, 0] = off * slope_variance
        covariance[:, 0, 1, 1] = slope_variance
        level = self.mean[rows] + self.slope[rows] * off
        cdf[rows] = first_passage(level[:, None], self.slope[rows][:, None], covariance, days / DAYS_PER_YEAR)
        return cdf


class GroupMeanAtAge(Baseline):
    """The mean of all readings of the sensor's lot (or kind) taken at about that age; says nothing of ends."""

    name = "group mean at age"

    def __init__(self, history: History) -> None:
        self.history = history
        self.width = np.maximum(0.1 * float(history.age.max(initial=1.0)), 0.1)

    def reading(self, life: Ints, age: Array) -> tuple[Array, Array] | None:
        """Kernel mean and standard deviation at the age, over the group's readings; None where there is no reading."""
        h = self.history
        if not h.y.size:
            return None
        mean, sd = np.full(life.size, np.nan), np.full(life.size, np.nan)
        of_reading = h.group[h.life]
        for group in np.unique(h.group[life]):
            rows, own = np.flatnonzero(h.group[life] == group), of_reading == group
            source = own if own.any() else np.ones(own.size, dtype=bool)
            distance = np.abs(age[rows][:, None] - h.age[source]) / self.width
            distance -= distance.min(axis=1, keepdims=True)  # beyond the oldest reading, the oldest speak
            weight = np.exp(-0.5 * distance**2)
            weight /= weight.sum(axis=1, keepdims=True)
            mean[rows] = weight @ h.y[source]
            sd[rows] = np.sqrt(np.maximum(weight @ h.y[source] ** 2 - mean[rows] ** 2, 0.0))
        return mean, np.maximum(sd, _LEAST_SD)


class CalendarAge(Baseline):
    """Every sensor of a technology lives as long as others have: ages at any end (worn or sudden), a Weibull life."""

    name = "calendar age"

    def __init__(self, all_lives: pd.DataFrame, lives: pd.DataFrame, as_of: pd.Timestamp) -> None:
        any_end = all_lives.assign(end_kind=all_lives["end_kind"].replace({"soft": "sudden"}))
        self.life = SuddenLife(families=("weibull",)).fit(any_end, as_of)
        self.lives, self.as_of = lives, as_of

    def end_cdf(self, days: Array) -> Array:
        """Chance to have ended by each day, given the age now."""
        return self.life.conditional_cdf(self.lives, self.as_of, days)


def baselines(
    readings: pd.DataFrame, all_lives: pd.DataFrame, lives: pd.DataFrame, as_of: pd.Timestamp, now: Array
) -> list[Baseline]:
    """All baselines for `lives` on the as-of date. A span that passed without a value is nothing that they could go by.

    readings and all_lives (ended ones too): as known on that date. now: (n,) ages of `lives` in years on it.
    """
    history = History.of(readings[~only_passed(readings)], lives, now)
    return [
        CalendarAge(all_lives, lives, as_of),
        LastValue(history),
        OwnLine(history),
        LotSlope(history),
        GroupMeanAtAge(history),
    ]
