"""Ageing rate and starting level of the groups of one stratum, raw and shrunken, beside the rest of their kind."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.compare.ratio import fieller, within
from sensorhealth.compare.rest import against_rest
from sensorhealth.compare.shrink import shrink
from sensorhealth.compare.source import Compared

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


def ageing_columns(compared: Compared, odd: BoolArray, level: float, margin: float) -> dict[str, FloatArray]:
    """Columns (L,) of the ageing rate: raw and shrunken with intervals, ratio to the rest, p values; NaN where none.

    Rates are d ln(headroom ratio) / dt, averaged from age zero to the oldest age read in the stratum; losses are
    negative. odd: (L,) groups that are not to count as the rest. level: of the intervals. margin: within which rates
    count as the same.
    """
    grouped = compared.grouped
    size = compared.names.size
    able = np.flatnonzero(grouped.slope >= 0)
    names = (
        "ageing_per_year", "low", "high", "ageing_raw_per_year", "raw_low", "raw_high", "rest_per_year",
        "ratio_to_rest", "ratio_low", "ratio_high", "p_value", "p_equivalent", "degrees",
    )  # fmt: skip
    out = {name: np.full(size, np.nan) for name in names}
    if not able.size:
        return out
    own = grouped.contrasts(grouped.rows(grouped.slope[able]))
    out["ageing_raw_per_year"][able] = own.estimate
    out["raw_low"][able], out["raw_high"][able] = own.interval(level)
    small = shrink(own.estimate, own.covariance, level)
    out["ageing_per_year"][able], out["low"][able], out["high"][able] = small.mean, small.low, small.high
    found = against_rest(grouped, grouped.slope, odd)
    at = found.group
    terms = (found.own, found.rest, found.own_variance, found.covariance, found.rest_variance, found.gap.degrees)
    ratio = fieller(*terms, level)
    out["rest_per_year"][at] = found.rest
    out["ratio_to_rest"][at], out["ratio_low"][at], out["ratio_high"][at] = ratio.value, ratio.low, ratio.high
    out["p_value"][at], out["degrees"][at] = found.gap.p_value(), found.gap.degrees
    out["p_equivalent"][at] = within(*terms, margin)
    return out


def level_columns(compared: Compared, level: float) -> dict[str, FloatArray]:
    """Columns (L,) of the starting level: median headroom ratio when new, ratio to the rest with interval, p value."""
    grouped = compared.grouped
    able = np.flatnonzero(grouped.level >= 0)
    names = ("start_ratio", "start_to_rest", "start_low", "start_high", "start_p_value")
    out = {name: np.full(compared.names.size, np.nan) for name in names}
    if not able.size:
        return out
    out["start_ratio"][able] = np.exp(grouped.contrasts(grouped.rows(grouped.level[able])).estimate)
    found = against_rest(grouped, grouped.level, np.zeros(compared.names.size, bool))
    low, high = found.gap.interval(level)
    out["start_to_rest"][found.group] = np.exp(found.gap.estimate)
    out["start_low"][found.group], out["start_high"][found.group] = np.exp(low), np.exp(high)
    out["start_p_value"][found.group] = found.gap.p_value()
    return out


def ageing_frame(compared: Compared, odd: BoolArray, level: float, margin: float) -> pd.DataFrame:
    """One row per group of the stratum: its name, kind, counts, ageing and starting level."""
    stratum, grouped = compared.source.stratum, compared.grouped
    return pd.DataFrame(
        {
            "lot": compared.names,
            "technology": stratum.technology,
            "gas": stratum.gas,
            "sensors": grouped.sensors,
            "readings": grouped.readings,
            **ageing_columns(compared, odd, level, margin),
            **level_columns(compared, level),
        }
    )
