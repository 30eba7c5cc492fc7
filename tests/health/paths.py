"""Invented paths of known faults, as readings and lives, for tests of what is found and what is not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

START = np.datetime64("2021-01-01", "s")
YEAR = 365.25 * 86_400


@dataclass(frozen=True)
class Paths:
    """readings and lives as the room gives them; truth: sensor_id, row, kind (single, down, swap), size."""

    readings: pd.DataFrame
    lives: pd.DataFrame
    truth: pd.DataFrame


def paths(
    rng: np.random.Generator,
    sensors: int = 80,
    *,
    singles: float = 0.0,
    steps: float = 0.0,
    swaps: float = 0.0,
    noise: float = 0.03,
    wander: float = 0.01,
    knee: float = 0.0,
    step: float = float(np.log(0.85)),
) -> Paths:
    """Quarterly readings of one kind of sensor over up to four years; shares of readings or sensors with a fault.

    A swap comes after the path has lost at least 0.25, so that it can be seen at all.
    """
    parts, events, row = [], [], 0
    for i in range(sensors):
        name = f"s{i:03d}"
        count = int(rng.integers(6, 17))
        age = rng.uniform(0, 0.1) + np.arange(count) / 4 + rng.uniform(0, 0.08, count)
        level = _path(rng, age, wander, knee)
        place = int(rng.integers(2, count - 1))
        if rng.random() < steps:
            level[place:] += step
            events.append((name, row + place + 1, "down", step))
        elif rng.random() < swaps:
            fresh = _path(rng, age[place:] - age[place], wander, knee)
            level[:place] += min(0.0, fresh[0] - 0.25 - level[place - 1])
            events.append((name, row + place + 1, "swap", float(fresh[0] - level[place - 1])))
            level[place:] = fresh
        value = level + noise * rng.standard_normal(count)
        for j in np.flatnonzero(rng.random(count) < singles):
            size = -rng.uniform(0.2, 0.5)
            value[j] += size
            events.append((name, row + int(j) + 1, "single", size))
        parts.append(pd.DataFrame({"row": row + 1 + np.arange(count), "sensor_id": name, "age_years": age, "log_ratio": value}))
        row += count
    table = pd.concat(parts, ignore_index=True)
    truth = pd.DataFrame(events, columns=["sensor_id", "row", "kind", "size"])
    return Paths(_readings(table), _lives(table), truth)


def _path(rng: np.random.Generator, age: np.ndarray, wander: float, knee: float) -> np.ndarray:
    """One true path: level about 0.7, loss about 0.12 a year."""
    steps = rng.standard_normal(len(age)) * wander * np.sqrt(np.diff(age, prepend=0.0))
    return 0.7 + 0.08 * rng.standard_normal() - (0.12 + 0.05 * rng.standard_normal()) * age - knee * age**3 + np.cumsum(steps)


def _readings(table: pd.DataFrame) -> pd.DataFrame:
    """The frame of `health.readings`."""
    table = table.assign(
        life_id=table["sensor_id"], stratum="electrochemical CO", lot="L1", site="north",
        time=START + (table["age_years"].to_numpy() * YEAR).astype("timedelta64[s]"), censoring=np.int8(0), cylinder="",
        cylinder_days=np.nan, session="", order_in_session=1, temperature_c=np.nan, humidity_pct=np.nan, source="headroom",
    )  # fmt: skip
    return table


def _lives(table: pd.DataFrame) -> pd.DataFrame:
    """The columns of `health.lives` that are needed here."""
    names = table["sensor_id"].unique()
    return pd.DataFrame(
        {"life_id": names, "sensor_id": names, "technology": "electrochemical", "gas": "CO",
         "stratum": "electrochemical CO", "instrument_id": "", "end_kind": "", "installed": pd.Timestamp(START)}
    )  # fmt: skip
