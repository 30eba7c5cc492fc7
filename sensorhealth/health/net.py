"""Readings by life and time with what is not the sensor's taken off: the gas, the session, and what is not known of them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.path_filter import FloatArray

LEAST_KNOWN = 20


def net_readings(readings: pd.DataFrame, lives: pd.DataFrame, residuals: pd.DataFrame | None) -> pd.DataFrame:
    """Readings sorted by life, age and row, with columns added.

    life (position in `lives`); gas_effect and session_effect as the fit has them, 0 where it has none, a reading without a
    cylinder on record taking that of its neighbours; net (log_ratio less both); gas_variance (of what is not known of its
    gas); fitted.
    """
    table = readings.copy()
    table["life"] = pd.Index(lives["life_id"]).get_indexer(pd.Index(readings["life_id"]))
    for name in ("gas_effect", "session_effect", "fitted"):
        known = residuals is not None and name in residuals
        table[name] = residuals[name].to_numpy(dtype=float) if residuals is not None and known else np.nan
    table[["gas_effect", "session_effect"]] = table[["gas_effect", "session_effect"]].fillna(0.0)
    table["gas_effect"], table["gas_variance"] = _gas_of_neighbours(table)
    table["net"] = table["log_ratio"] - table["gas_effect"] - table["session_effect"]
    known = (table["life"] >= 0) & np.isfinite(table["net"]) & np.isfinite(table["age_years"])
    table = table if known.all() else table[known]
    keys = [table[name].to_numpy() for name in ("life", "age_years", "row")]
    return (table if _in_order(*keys) else table.take(np.lexsort(keys[::-1]))).reset_index(drop=True)


def _in_order(*keys: NDArray) -> bool:
    """Whether rows stand in the order of the first key, where that is equal in the order of the next, and so on."""
    equal = np.ones(max(len(keys[0]) - 1, 0), dtype=bool)
    for key in keys:
        if (equal & (key[1:] < key[:-1])).any():
            return False
        equal &= key[1:] == key[:-1]
    return True


def _gas_of_neighbours(table: pd.DataFrame) -> tuple[FloatArray, FloatArray]:
    """Gas effect of each reading, and the variance of what is not known of it.

    A reading without a cylinder on record was most likely taken on the cylinder that its own sensor met both before and
    after, or on the one that all other sensors of its kind met at its site on the day. Where neither is known its gas may be
    any: the fit's own guess stays, in doubt by the spread between cylinders.
    """
    effect = table["gas_effect"].to_numpy(dtype=float)
    blank = (table["cylinder"] == "").to_numpy()
    variance = np.zeros(len(table))
    if blank.all() or not blank.any():
        return effect, variance
    told = table["gas_effect"].where(~blank)
    visit = [table["stratum"], table["site"], table["time"].dt.floor("D")]
    one = table["cylinder"].where(~blank).groupby(visit, sort=False).transform("nunique").to_numpy() == 1
    neighbours = np.where(one, told.groupby(visit, sort=False).transform("median").to_numpy(dtype=float), np.nan)
    own = _between(table, told)
    filled = np.where(np.isnan(own), neighbours, own)
    of_kind = told.groupby(table["stratum"], sort=False)
    spread = np.where(of_kind.transform("count") >= LEAST_KNOWN, of_kind.transform("var"), 0.0)
    variance[blank] = np.where(np.isnan(filled), spread, 0.0)[blank]
    return np.where(blank & ~np.isnan(filled), filled, effect), variance


def _between(table: pd.DataFrame, told: pd.Series) -> FloatArray:
    """Where the sensor met one cylinder before and after a reading: the gas effect between the two; NaN elsewhere."""
    order = np.lexsort((table["row"].to_numpy(), table["time"].to_numpy(), table["life"].to_numpy()))
    sorted_table = pd.DataFrame(
        {"told": told.to_numpy()[order], "cylinder": table["cylinder"].where(told.notna()).to_numpy(dtype=object)[order]}
    )
    life = table["life"].to_numpy()[order]
    before, after = sorted_table.groupby(life).ffill(), sorted_table.groupby(life).bfill()
    same = (before["cylinder"] == after["cylinder"]) & before["cylinder"].notna()
    found = np.empty(len(table))
    found[order] = ((before["told"] + after["told"]) / 2).where(same).to_numpy(dtype=float)
    return found


def spoken(table: pd.DataFrame) -> NDArray[np.bool_]:
    """False for a censored reading that says no more than is known: beyond the limit, on the side it was cut off, by
    the fit or by another attempt of the same visit."""
    censoring = table["censoring"].to_numpy()
    if not censoring.any():
        return np.ones(len(table), dtype=bool)
    value = table["log_ratio"].to_numpy()
    beyond = censoring * (table["fitted"].to_numpy() - value) > 0
    visit = [table["life"], table["time"].dt.floor("D")]
    lowest = table["log_ratio"].where(censoring == 0).groupby(visit, sort=False).transform("min").to_numpy()
    return ~((censoring != 0) & (beyond | ((censoring < 0) & (lowest <= value))))
