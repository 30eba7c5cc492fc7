"""Headroom that no sensor has."""

from __future__ import annotations

import numpy as np

from ..bench import SET_ASIDE, Batch, Bench
from ._tools import group_median, headroom_ratio, looked_up, where

ORDER = 74
FINDINGS = {"impossible headroom": "a headroom far above what the gas and the sensor's other readings allow"}
_MOST = 20.0
_TIMES = 6.0
_LOOK = 4.0


def check(bench: Bench) -> list[Batch]:
    """Set aside above 20 times the applied gas, or 6 times the sensor's own median. Low values stay: sensors do die."""
    ratio = np.where(bench.used["calibrations"], headroom_ratio(bench), np.nan)
    sensor = bench.sensor_of()
    suspect = ratio > _LOOK
    theirs = np.isin(sensor, sensor[suspect]) if suspect.any() else suspect
    own = np.full(len(ratio), np.nan)
    own[suspect] = looked_up(group_median(sensor[theirs], ratio[theirs], fewest=5), sensor[suspect])
    at = where((ratio > _MOST) | (ratio > _TIMES * own))
    return [
        Batch("impossible headroom", "calibrations", "headroom", SET_ASIDE, at,
              reasons=[f"{times:.3g} times the applied gas; mend the cell or its unit" for times in ratio[at]])
    ]  # fmt: skip
