"""What a sensor's last readings alone say of its next: the last one, their smoothed level, the middle of the last three.

Records whose noise or drift is not what the ageing model takes it for are often foretold best by one of these: the last value
where sensors stand still between visits, a smoothed level where they wander and are read with noise (exponential smoothing: Brown
1959, Statistical Forecasting for Inventory Control), the middle of three where some readings are bad.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import LEAST_NOISE

WAYS = 3
SMOOTH = 0.5  # weight of the newest reading in the level: half way between all alike and the last alone
FEWEST = 5  # changes of which the longer half is looked at by itself
USUAL_SQUARE = 0.455  # median of a squared standard normal


@dataclass(frozen=True)
class Change:
    """Variance of the change from what the last readings say to the next: at_once + per_year times the years between."""

    at_once: float
    per_year: float

    def __call__(self, years: FloatArray) -> FloatArray:
        return self.at_once + self.per_year * np.maximum(years, 0.0)


NO_CHANGE = (Change(LEAST_NOISE**2, 0.0),) * WAYS


def recent(stratum: Stratum, net: FloatArray) -> FloatArray:
    """Of each reading (WAYS, N), net of its gas: itself, the level smoothed up to it, the middle of it and the two before."""
    level, middle = net.copy(), net.copy()
    counts, first = stratum.counts, stratum.offsets[:-1]
    for number in range(1, int(counts.max(initial=0))):
        rows = first[counts > number] + number
        level[rows] = SMOOTH * net[rows] + (1.0 - SMOOTH) * level[rows - 1]
        before = np.maximum(rows - 2, first[counts > number])
        three = np.stack([net[rows], net[rows - 1], net[before]])
        middle[rows] = three[:2].mean(axis=0) if number == 1 else np.median(three, axis=0)
    return np.stack([net, level, middle])


def usual_change(years: FloatArray, squared: FloatArray) -> Change:
    """Usual variance of changes, by the median, of the shorter and the longer half of the times between."""
    short = years <= np.median(years)
    usual = max(float(np.median(squared)) / USUAL_SQUARE, LEAST_NOISE**2)
    if (~short).sum() < FEWEST:
        return Change(usual, 0.0)
    near, far = (float(np.median(squared[rows])) / USUAL_SQUARE for rows in (short, ~short))
    begin, end = float(years[short].mean()), float(years[~short].mean())
    per_year = float(np.clip((far - near) / (end - begin), 0.0, far / end))
    return Change(max(near - per_year * begin, LEAST_NOISE**2), per_year)
