"""Rows that are not calibrations, and calibrations that were written down wrongly."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sensorhealth.synthetic.scenario import Scenario

SHARES = {
    "duplicate": 0.003,
    "near duplicate": 0.001,
    "clock reset": 0.001,
    "day and month swapped": 0.001,
    "future": 0.0003,
    "unit mix-up": 0.001,
    "wrong concentration": 0.001,
    "aborted": 0.004,
    "unknown sensor": 0.0004,
    "impossible value": 0.0004,
}
"""Share of the rows at `odd_factor` 1."""

READINGS = ["applied", "zero_offset", "as_found", "as_left", "headroom"]
MEASURED = ["as_found", "as_left", "span_gain", "headroom", "response_seconds"]


def add_plain_rows(table: pd.DataFrame, scenario: Scenario, rng: np.random.Generator) -> pd.DataFrame:
    """Bump tests and zero-only rows beside the calibrations, in order of time; `origin` = row of `table`, -1 if new."""
    frames = [table.assign(origin=np.arange(len(table)))]
    passed = np.nonzero((table["outcome"] == "pass").to_numpy())[0]
    for kind, share in (("bump", scenario.bump_share), ("zero", scenario.zero_share)):
        at = np.sort(rng.choice(passed, size=round(share * len(table)), replace=False)) if share else passed[:0]
        rows = table.iloc[at].assign(kind=kind, span_gain=np.nan, headroom=np.nan, as_left=np.nan, origin=-1)
        shift = pd.to_timedelta(rng.integers(-4 * 86400, -86400, at.size), unit="s")
        rows["time"] = pd.DatetimeIndex(rows["time"] + shift).as_unit("s")
        if kind == "bump":
            rows["zero_offset"] = np.nan
            rows["as_found"] = np.round(rows["applied"] * rng.uniform(0.7, 1.0, at.size), 1)
        else:
            rows[["applied", "as_found", "response_seconds"]] = np.nan
            rows["cylinder_id"] = ""
        frames.append(rows)
    return pd.concat(frames).sort_values(["time", "sensor_id", "origin"], kind="stable").reset_index(drop=True)


def add_odd_rows(
    table: pd.DataFrame, installed: pd.Series, end: pd.Timestamp, scenario: Scenario, rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Spoil a few rows and add a few; return the table and the truth about the odd rows.

    installed: by sensor_id, so that no bump falls before it. The truth has row (1-based), kind, sensor_id, true_time.
    """
    first = table["sensor_id"].map(installed)
    first = first.where(first >= pd.Timestamp(scenario.records_start), pd.Timestamp(scenario.records_start))
    table = table[(table["time"] >= first) & (table["time"] <= end)].reset_index(drop=True)
    table["odd"] = ""
    table["true_time"] = table["time"]
    free = np.nonzero(((table["kind"] == "full") & (table["outcome"] == "pass")).to_numpy())[0]
    counts = {kind: round(share * scenario.odd_factor * len(table)) for kind, share in SHARES.items()}
    chosen = rng.choice(free, size=min(free.size, sum(counts.values())), replace=False)
    extra, start = [], 0
    for kind, count in counts.items():
        at = np.sort(chosen[start : start + count])
        start += count
        rows = _spoil(table.iloc[at].copy(), kind, end, rng)
        if kind in ("duplicate", "near duplicate", "unknown sensor"):
            extra.append(rows.assign(odd=kind, origin=-1, place=at + 0.5))
        else:
            rows["odd"] = np.where((rows.drop(columns="odd") != table.iloc[at].drop(columns="odd")).any(axis=1), kind, "")
            table.iloc[at] = rows
    table = pd.concat([table.assign(place=np.arange(len(table), dtype=float)), *extra])
    table = table.sort_values("place", kind="stable").reset_index(drop=True)
    odd = np.nonzero((table["odd"] != "").to_numpy())[0]
    truth = table.loc[odd, ["odd", "sensor_id", "true_time"]].rename(columns={"odd": "kind"})
    truth.insert(0, "row", odd + 1)
    return table.drop(columns=["odd", "true_time", "place"]), truth.reset_index(drop=True)


def _spoil(rows: pd.DataFrame, kind: str, end: pd.Timestamp, rng: np.random.Generator) -> pd.DataFrame:
    """Rows spoilt in one way."""
    count = len(rows)
    time = rows["time"]
    if kind == "near duplicate":
        rows["time"] = time + pd.to_timedelta(rng.integers(5, 50, count), unit="s")
    elif kind == "clock reset":
        rows["time"] = pd.Timestamp("2000-01-01") + pd.to_timedelta(rng.integers(0, 86400 * 3, count), unit="s")
    elif kind == "future":
        rows["time"] = time + pd.DateOffset(years=10)
    elif kind == "day and month swapped":
        rows["time"] = [t.replace(day=t.month, month=t.day) if t.day <= 12 else t for t in time]
    elif kind == "unit mix-up":
        factor = np.where(rows["applied"] > 60, 1e-4, np.where(rows["applied"] < 20, 1e4, 1e-4))
        rows[READINGS] = (rows[READINGS].to_numpy() * factor[:, None]).round(6)
    elif kind == "wrong concentration":
        rows[["applied", "as_left"]] = rows[["applied", "as_left"]].to_numpy() * rng.choice([0.5, 2.0, 4.0], (count, 1))
    elif kind == "aborted":
        rows[MEASURED] = np.nan
        rows["outcome"] = "aborted"
    elif kind == "unknown sensor":
        rows["sensor_id"] = [f"X{number:04d}" for number in rng.integers(1, 9999, count)]
    elif kind == "impossible value":
        rows["headroom"] = -rows["applied"]
    return rows
