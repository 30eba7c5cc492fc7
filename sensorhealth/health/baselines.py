"""The baseline of every sensor, adjustments undone, and its trend net of temperature.

A zero offset is what the baseline moved since the last zero, so that the running sum of the offsets is the baseline itself.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.change_points import Rates
from sensorhealth.health.life_table import FleetTables, life_of, seconds
from sensorhealth.health.trends import Trends, trends

ZEROING = ("zero", "full")
YEAR_SECONDS = 365.25 * 86_400
RATES = Rates(single=0.03, down=0.03, up=0.03, swap=1e-9, high=0.9, swap_when_spent=1e-9)


@dataclass(frozen=True)
class Baselines:
    """table: recorded zeros by life and time, with the running sum of their offsets (column baseline). trends: of those, net of
    temperature, one for each life in the table; warm: effect of temperature by life, columns slope and sd (unit per kelvin).
    trends and warm are None where no zero is recorded."""

    table: pd.DataFrame
    trends: Trends | None
    warm: pd.DataFrame | None


def baselines(
    fleet: FleetTables, lives: pd.DataFrame, *, known: Baselines | None = None, false_discovery_rate: float = 0.05
) -> Baselines:
    """Baselines of all lives. known: those of the same fleet before some lives were split, which are taken where they are the
    same, and whose spread between sensors is taken where not."""
    table = _recorded(fleet, lives)
    if known is not None and known.table.equals(table):
        return known
    if table.empty:
        return Baselines(table, None, None)
    found, warm = _trends(table, false_discovery_rate, None if known is None else known.trends)
    return Baselines(table, found, warm)


def _recorded(fleet: FleetTables, lives: pd.DataFrame) -> pd.DataFrame:
    """Recorded zeros by life and time, with the running sum of their offsets; of the attempts of one visit the last,
    since an attempt that was not completed moved nothing."""
    calibrations = fleet.calibrations
    zeros = calibrations["kind"].isin(ZEROING) & calibrations["zero_offset"].notna()
    zeros &= calibrations["outcome"] != "aborted"
    table = calibrations.loc[zeros, ["row", "sensor_id", "time", "zero_offset", "temperature_c"]].copy()
    table["life"] = life_of(lives, table["sensor_id"], table["time"])
    table = table[table["life"] >= 0].sort_values(["life", "time", "row"], kind="stable")
    day = table["time"].dt.floor("D")
    table = table[~table.assign(day=day).duplicated(["life", "day"], keep="last")].reset_index(drop=True)
    life = table["life"].to_numpy()
    table["age"] = np.maximum((seconds(table["time"]) - seconds(lives["installed"])[life]) / YEAR_SECONDS, 0.0)
    table["baseline"] = table.groupby("life")["zero_offset"].cumsum()
    for name in ("life_id", "stratum"):
        table[name] = lives[name].to_numpy(dtype=object)[life]
    unit = fleet.sensors.set_index("sensor_id")["unit"]
    table["unit"] = table["sensor_id"].map(unit)
    return table


def _trends(table: pd.DataFrame, rate: float, known: Trends | None) -> tuple[Trends, pd.DataFrame]:
    """Trends of the baselines, the effect of temperature taken off first, and that effect by stratum."""
    life = table["life"].to_numpy()
    start = np.flatnonzero(np.r_[True, life[1:] != life[:-1]])
    count = np.diff(np.r_[start, len(table)])
    group = (table["stratum"] + " " + table["unit"]).to_numpy()
    code, _ = pd.factorize(group[start], sort=True)
    warm = _temperature(table, start, np.repeat(code, count), int(code.max()) + 1)
    per_kelvin = np.where(np.abs(warm["slope"]) > 3 * warm["sd"], warm["slope"], 0.0)[np.repeat(code, count)]
    temperature = table["temperature_c"].fillna(table["temperature_c"].mean()).fillna(0.0).to_numpy()
    clean = table["baseline"].to_numpy() - per_kelvin * temperature
    found = trends(clean, table["age"].to_numpy(), start, count, code, RATES, rate, known)
    return found, warm.loc[code].reset_index(drop=True)


def _temperature(table: pd.DataFrame, start: NDArray, code: NDArray, strata: int) -> pd.DataFrame:
    """Change of the zero offset per kelvin in each stratum, from offsets against changes of temperature.

    Offsets beyond three robust standard deviations are left out; the standard error takes the offsets of one sensor as
    one cluster.
    """
    change = table.groupby("life")["temperature_c"].diff().to_numpy()
    offset = table["zero_offset"].to_numpy()
    out = pd.DataFrame({"slope": np.full(strata, np.nan), "sd": np.full(strata, np.nan)})
    first = np.zeros(len(table), dtype=bool)
    first[start] = True
    for k in range(strata):
        own = (code == k) & np.isfinite(change) & ~first
        if own.sum() < 20 or np.std(change[own]) < 0.5:
            continue
        middle = np.median(offset[own])
        own &= np.abs(offset - middle) <= 3 * 1.4826 * np.median(np.abs(offset[own] - middle)) + 1e-12
        x, y = change[own] - change[own].mean(), offset[own] - offset[own].mean()
        slope = (x * y).sum() / (x * x).sum()
        by_life = pd.Series(x * (y - slope * x)).groupby(table["life"].to_numpy()[own]).sum()
        out.loc[k] = slope, np.sqrt((by_life**2).sum()) / (x * x).sum()
    return out
