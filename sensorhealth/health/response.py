"""Response time as a second sign of ageing: which sensors slow down, how fast, and how sure that is."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from sensorhealth.health.change_points import Rates
from sensorhealth.health.false_discovery import flag_by_posterior
from sensorhealth.health.life_table import FleetTables, life_of, seconds
from sensorhealth.health.trends import trends

YEAR_SECONDS = 365.25 * 86_400
LEAST_READINGS = 4
LEAST_RATE = 0.10
Z_90 = 1.6449
RATES = Rates(single=0.02, down=0.01, up=0.02, swap=1e-9, high=0.5, swap_when_spent=1e-9)
COLUMNS = (
    "life_id", "sensor_id", "stratum", "status", "readings", "first", "last", "last_seconds", "rate_per_year",
    "rate_low", "rate_high", "kind_rate_per_year", "p_slowing", "slowing", "reason",
)  # fmt: skip


def response_times(fleet: FleetTables, lives: pd.DataFrame, *, false_discovery_rate: float = 0.05) -> pd.DataFrame:
    """Trend of the response time of every life, one row each, those without recorded response times too.

    The trend is that of ln(response time) in age, single odd readings and steps taken out. Columns: life_id, sensor_id,
    stratum, status ("slowing", "as its kind", "too few readings", "not recorded"), readings, first, last, last_seconds,
    rate_per_year with its 90 % interval rate_low, rate_high (d ln(response time) / dt), kind_rate_per_year (mean of the
    stratum), p_slowing (probability that it slows by more than LEAST_RATE a year, and by as much more than its kind
    where the kind slows), slowing (flagged at `false_discovery_rate` over all lives), reason.
    """
    table = _recorded(fleet, lives)
    frame = lives[["life_id", "sensor_id", "stratum"]].reset_index(drop=True)
    frame["status"], frame["readings"], frame["slowing"] = "not recorded", 0, False
    for name in ("first", "last"):
        frame[name] = np.datetime64("NaT", "us")
    for name in ("last_seconds", "rate_per_year", "rate_low", "rate_high", "kind_rate_per_year", "p_slowing"):
        frame[name] = np.nan
    if len(table):
        _fill(frame, table, false_discovery_rate)
    told = frame["status"] != "not recorded"
    frame["reason"] = "no response time is recorded"
    frame.loc[told, "reason"] = [_reason(row) for row in frame[told].to_dict("records")]
    return frame[list(COLUMNS)]


def _recorded(fleet: FleetTables, lives: pd.DataFrame) -> pd.DataFrame:
    """Recorded response times by life and time."""
    calibrations = fleet.calibrations
    told = (calibrations["response_seconds"] > 0) & (calibrations["outcome"] != "aborted")
    table = calibrations.loc[told, ["row", "sensor_id", "time", "response_seconds"]].copy()
    table["life"] = life_of(lives, table["sensor_id"], table["time"])
    table = table[table["life"] >= 0].sort_values(["life", "time", "row"], kind="stable", ignore_index=True)
    born = seconds(lives["installed"])[table["life"].to_numpy()]
    table["age"] = np.maximum((seconds(table["time"]) - born) / YEAR_SECONDS, 0.0)
    table["stratum"] = lives["stratum"].to_numpy(dtype=object)[table["life"].to_numpy()]
    return table


def _fill(frame: pd.DataFrame, table: pd.DataFrame, rate: float) -> None:
    """Write what is known into the rows of the lives that have response times."""
    from scipy.special import ndtr

    life = table["life"].to_numpy()
    start = np.flatnonzero(np.r_[True, life[1:] != life[:-1]])
    count = np.diff(np.r_[start, len(table)])
    code, _ = pd.factorize(table["stratum"].to_numpy()[start], sort=True)
    values = np.log(table["response_seconds"].to_numpy())
    found = trends(values, table["age"].to_numpy(), start, count, code, RATES, rate)
    at = life[start]
    end = start + count - 1
    bar = LEAST_RATE + np.maximum(found.kind_slope, 0.0)
    slowing = ndtr((found.slope - bar) / np.maximum(found.slope_sd, 1e-300))
    few = count < LEAST_READINGS
    for name, column in (
        ("readings", count),
        ("first", table["time"].to_numpy()[start]),
        ("last", table["time"].to_numpy()[end]),
        ("last_seconds", table["response_seconds"].to_numpy()[end]),
        ("rate_per_year", found.slope),
        ("rate_low", found.slope - Z_90 * found.slope_sd),
        ("rate_high", found.slope + Z_90 * found.slope_sd),
        ("kind_rate_per_year", found.kind_slope),
        ("p_slowing", slowing),
    ):
        frame.loc[at, name] = column
    flagged = flag_by_posterior(np.where(few, 0.0, slowing), rate)
    frame.loc[at, "slowing"] = flagged
    frame.loc[at, "status"] = np.where(few, "too few readings", np.where(flagged, "slowing", "as its kind"))


def _reason(row: dict[Any, Any]) -> str:
    """One line on one life."""
    if row["status"] == "too few readings":
        return f"only {row['readings']} response times: too few for a trend"
    low, middle, high = (100 * np.expm1(row[name]) for name in ("rate_low", "rate_per_year", "rate_high"))
    kind = 100 * np.expm1(row["kind_rate_per_year"])
    trend = f"response time {middle:+.0f} % a year ({low:+.0f} to {high:+.0f} %), its kind {kind:+.0f} %"
    return f"{trend}: {row['status']}"
