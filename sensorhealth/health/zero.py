"""Zero offsets: drift of the baseline, zeros set in contaminated air, baseline jumps, and the end of life they bring.

A zero offset is the reading in clean air before the zero is adjusted, so it is what the baseline moved since the last
zero. Their running sum is the baseline itself, adjustments undone: a zero set in contaminated air lifts one point of
it (the next clean zero takes it back), a real jump of the baseline stays.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.array_records import pick
from sensorhealth.health.baselines import YEAR_SECONDS, Baselines, baselines
from sensorhealth.health.change_points import SINGLE
from sensorhealth.health.false_discovery import flag_by_posterior
from sensorhealth.health.life_table import FleetTables
from sensorhealth.health.path_filter import FloatArray
from sensorhealth.health.trends import NOISE, Trends

LEAST_ZEROS = 4
LEAST_STEPS = 2.5
HORIZON_YEARS = 10.0
QUANTILES = {"p05": 0.05, "p50": 0.5, "p95": 0.95}
Z_90 = 1.6449
EVENT_COLUMNS = (
    "row", "life_id", "sensor_id", "stratum", "unit", "time", "kind", "size", "std_error", "probability", "next_row",
    "as_found_shift", "ratio_shift", "as_found_explained", "reason",
)  # fmt: skip
DRIFT_COLUMNS = (
    "life_id", "sensor_id", "stratum", "unit", "status", "zeros", "first", "last", "last_offset", "baseline",
    "drift_per_year", "drift_low", "drift_high", "drifting", "temperature_per_kelvin", "temperature_sd",
    "contaminated", "jumps", "zero_limit", "end_p05", "end_p50", "end_p95", "reason",
)  # fmt: skip


def zero_events(
    fleet: FleetTables, lives: pd.DataFrame, *, known: Baselines | None = None, false_discovery_rate: float = 0.05
) -> pd.DataFrame:
    """Zeros set in contaminated air and jumps of the baseline, one row each; movements of less than LEAST_STEPS steps
    of the display are left alone.

    known: as from `baselines`, where they were worked out before.

    Columns: row (of the zero), life_id, sensor_id, stratum, unit, time, kind ("contaminated air": back at the next zero;
    "baseline jump": stayed), size and std_error (in `unit`), probability, next_row (the reading on gas that follows before
    the next zero), as_found_shift and ratio_shift (what the zero does to it: its as-found in `unit`, its ln headroom ratio),
    as_found_explained (True where that as-found is off by about that much, False where it is not, None where it is not
    recorded), reason.
    """
    base = known or baselines(fleet, lives, false_discovery_rate=false_discovery_rate)
    if base.trends is None:
        return pd.DataFrame(columns=list(EVENT_COLUMNS))
    return _events(fleet, base.table, base.trends)


def zero_drift(
    fleet: FleetTables,
    lives: pd.DataFrame,
    *,
    zero_limit: float | Mapping[str, float] | None = None,
    known: Baselines | None = None,
    false_discovery_rate: float = 0.05,
) -> pd.DataFrame:
    """Drift of the zero of every life, one row each, those without recorded zeros too.

    zero_limit: largest baseline, adjustments undone, that an instrument can still zero out: by unit or by gas (in that
    unit), by kind of sensor ("technology gas") or one number for all as a ratio of the applied gas; None: no end of life by
    zero. known: as from `baselines`, where they were worked out before.

    Columns: life_id, sensor_id, stratum, unit, status ("drifting", "steady", "too few zeros", "no zero recorded"), zeros,
    first, last, last_offset, baseline (running sum of the offsets), drift_per_year with its 90 % interval drift_low,
    drift_high (unit per year), drifting (by more in a year than the noise of one zero and the step of the display, at
    `false_discovery_rate` over all lives), temperature_per_kelvin and temperature_sd (of the stratum, unit per kelvin; NaN
    where not recorded), contaminated and jumps (counts), zero_limit, end_p05, end_p50, end_p95 (dates at which the baseline
    reaches the limit with 5, 50, 95 % probability; NaT beyond ten years), reason.
    """
    base = known or baselines(fleet, lives, false_discovery_rate=false_discovery_rate)
    frame = _empty_rows(fleet, lives)
    frame["zero_limit"] = _limits(fleet, lives, frame["unit"], zero_limit)
    if base.trends is not None and base.warm is not None:
        events = _events(fleet, base.table, base.trends)
        _fill(frame, base.table, base.trends, base.warm, events, false_discovery_rate)
    told = frame["status"] != "no zero recorded"
    frame["reason"] = "no zero offset is recorded: its drift cannot be known"
    frame.loc[told, "reason"] = [_reason(row) for row in frame[told].to_dict("records")]
    return frame[list(DRIFT_COLUMNS)]


def _events(fleet: FleetTables, table: pd.DataFrame, found: Trends) -> pd.DataFrame:
    """Faults of the baselines as a table, with what they did to the next reading on gas."""
    series = _series(table)
    faults = found.found.faults
    seen = np.abs(faults.size) * found.scale[series[faults.position]]
    faults = pick(faults, seen > LEAST_STEPS * found.resolution[series[faults.position]])
    at = faults.position
    scale = found.scale[series[at]]
    single = faults.kind == SINGLE
    size = np.where(single, found.found.deviation[at], faults.size)
    error = np.where(single, found.found.deviation_sd[at], faults.std_error)
    frame = table.loc[at, ["row", "life_id", "sensor_id", "stratum", "unit", "time"]].reset_index(drop=True)
    frame["kind"] = np.where(single, "contaminated air", "baseline jump")
    frame["size"], frame["std_error"] = size * scale, error * scale
    frame["probability"] = faults.probability
    frame = _following(fleet, frame)
    frame["reason"] = [_event_reason(row) for row in frame.to_dict("records")]
    return frame.sort_values(["sensor_id", "time"], ignore_index=True)[list(EVENT_COLUMNS)]


def _series(table: pd.DataFrame) -> NDArray[np.int64]:
    """Number of the series that each row belongs to."""
    life = table["life"].to_numpy()
    return np.cumsum(np.r_[True, life[1:] != life[:-1]]) - 1


def _following(fleet: FleetTables, events: pd.DataFrame) -> pd.DataFrame:
    """Add the reading on gas that follows each contaminated zero before the next one: its row, what the zero does to
    it, and whether it shows.

    A full calibration reads gas just after its own zero; after a zero alone it is the next row, if that is a span or a
    bump test. The zero takes the contamination off every reading: the as-found is low by it, and headroom / applied by
    the ratio of the two.
    """
    calibrations = fleet.calibrations[["row", "sensor_id", "kind", "applied", "as_found"]]
    later = calibrations.shift(-1)
    full = calibrations["kind"] == "full"
    follows = (later["sensor_id"] == calibrations["sensor_id"]) & later["kind"].isin(["span", "bump"])
    gas = calibrations.where(full, later.where(follows), axis=0)[["row", "applied", "as_found"]]
    met = events.merge(gas.rename(columns={"row": "next_row"}).assign(row=calibrations["row"]), on="row", how="left")
    air = met["kind"] == "contaminated air"
    met["as_found_shift"] = np.where(air, -met["size"], np.nan)
    met["ratio_shift"] = np.where(air, np.log1p(-np.minimum(met["size"] / met["applied"], 0.9)), np.nan)
    off = met["as_found"] - met["applied"]
    told = air & off.notna() & (met["applied"] > 0)
    near = (off - met["as_found_shift"]).abs() < np.maximum(met["size"].abs() / 2, 2 * met["std_error"])
    met["as_found_explained"] = pd.Series([bool(n) if t else None for n, t in zip(near, told)], dtype=object)
    met["next_row"] = met["next_row"].where(air)
    return met


def _event_reason(row: dict[Any, Any]) -> str:
    """One line on one event."""
    size = f"{row['size']:+.3g} {row['unit']}"
    if row["kind"] == "baseline jump":
        return f"the baseline moved by {size} and stayed: over-range gas, a shock, or the sensor itself"
    shown = {True: " (it was)", False: " (it was not)", None: ""}[row["as_found_explained"]]
    return (
        f"zero set in air that held about {size}: until the next clean zero readings are off by {-row['size']:+.3g} "
        f"{row['unit']}, and so is the as-found that follows{shown}; zero again in clean air"
    )


def _empty_rows(fleet: FleetTables, lives: pd.DataFrame) -> pd.DataFrame:
    """One row per life with nothing known of its zero yet."""
    frame = lives[["life_id", "sensor_id", "stratum"]].reset_index(drop=True)
    frame["unit"] = frame["sensor_id"].map(fleet.sensors.set_index("sensor_id")["unit"])
    frame["status"], frame["zeros"], frame["drifting"] = "no zero recorded", 0, False
    frame["contaminated"], frame["jumps"] = 0, 0
    for name in ("first", "last", "end_p05", "end_p50", "end_p95"):
        frame[name] = np.datetime64("NaT", "us")
    for name in ("last_offset", "baseline", "drift_per_year", "drift_low", "drift_high", "temperature_per_kelvin"):
        frame[name] = np.nan
    frame["temperature_sd"] = np.nan
    return frame


def _limits(fleet: FleetTables, lives: pd.DataFrame, unit: pd.Series, limit: float | Mapping[str, float] | None) -> FloatArray:
    """Largest baseline of each life in its unit, NaN for none."""
    if limit is None:
        return np.full(len(lives), np.nan)
    applied = lives["sensor_id"].map(fleet.calibrations.groupby("sensor_id")["applied"].median())
    if isinstance(limit, Mapping):
        by_unit = lives["gas"].map(limit).fillna(unit.set_axis(lives.index).map(limit))
        found: pd.Series = by_unit.fillna(lives["stratum"].map(limit) * applied)
    else:
        found = applied * limit
    return np.array(found, dtype=np.float64)


def _fill(frame: pd.DataFrame, table: pd.DataFrame, found: Trends, warm: pd.DataFrame, events: pd.DataFrame, rate: float) -> None:
    """Write what is known into the rows of the lives that have zeros."""
    from scipy.special import ndtr

    grouped = table.groupby("life", sort=True)
    at = np.array(list(grouped.groups), dtype=np.int64)
    last = grouped.tail(1)
    for name, values in (
        ("zeros", grouped.size()),
        ("first", grouped["time"].min()),
        ("last", grouped["time"].max()),
        ("last_offset", last["zero_offset"]),
        ("baseline", last["baseline"]),
        ("drift_per_year", found.slope),
        ("drift_low", found.slope - Z_90 * found.slope_sd),
        ("drift_high", found.slope + Z_90 * found.slope_sd),
        ("temperature_per_kelvin", warm["slope"]),
        ("temperature_sd", warm["sd"]),
    ):
        frame.loc[at, name] = np.asarray(values)
    for name, kind in (("contaminated", "contaminated air"), ("jumps", "baseline jump")):
        counts = events[events["kind"] == kind].groupby("life_id").size()
        frame[name] = frame["life_id"].map(counts).fillna(0).astype("int64")
    few = frame["zeros"].to_numpy()[at] < LEAST_ZEROS
    bar, sd = np.maximum(NOISE * found.scale, found.resolution), np.maximum(found.slope_sd, 1e-300)
    matters = ndtr((found.slope - bar) / sd) + ndtr((-found.slope - bar) / sd)
    drifting = flag_by_posterior(np.where(few, 0.0, matters), rate)
    frame.loc[at, "drifting"] = drifting
    frame.loc[at, "status"] = np.where(few, "too few zeros", np.where(drifting, "drifting", "steady"))
    ends = _ends(frame.loc[at], found)
    for name in QUANTILES:
        frame.loc[at, f"end_{name}"] = np.where(few, np.datetime64("NaT", "us"), ends[name])


def _ends(frame: pd.DataFrame, found: Trends) -> dict[str, NDArray[np.datetime64]]:
    """Dates at which the baseline is beyond the limit with given probability: normal, drift and wander both
    uncertain."""
    from scipy.special import ndtr

    years = np.linspace(0.0, HORIZON_YEARS, 241)
    now, limit = frame["baseline"].to_numpy()[:, None], frame["zero_limit"].to_numpy()[:, None]
    mean = now + found.slope[:, None] * years
    sd = np.sqrt((found.slope_sd[:, None] * years) ** 2 + found.wander[:, None] * years + 1e-300)
    beyond = ndtr((mean - limit) / sd) + ndtr((-mean - limit) / sd)
    beyond = np.maximum.accumulate(np.where(np.isfinite(beyond), beyond, 0.0), axis=1)
    last = frame["last"].to_numpy(dtype="datetime64[s]")
    out = {}
    for name, probability in QUANTILES.items():
        reached = (beyond >= probability).any(axis=1)
        wait = years[(beyond >= probability).argmax(axis=1)] * YEAR_SECONDS
        date = last + np.where(reached, wait, 0.0).astype("timedelta64[s]")
        out[name] = np.where(reached, date, np.datetime64("NaT", "s")).astype("datetime64[us]")
    return out


def _reason(row: dict[Any, Any]) -> str:
    """One line on one life."""
    counts = f"{row['zeros']} zeros"
    if row["status"] == "too few zeros":
        return f"only {counts}: too few for a drift"
    unit = f"{row['unit']} a year"
    drift = f"{row['drift_per_year']:+.3g} ({row['drift_low']:+.3g} to {row['drift_high']:+.3g}) {unit} over {counts}"
    odd = f"; {row['contaminated']} zeros in contaminated air" if row["contaminated"] else ""
    odd += f"; {row['jumps']} jumps of the baseline" if row["jumps"] else ""
    end = ""
    if pd.notna(row["end_p50"]):
        end = f"; reaches the limit of {row['zero_limit']:.3g} {row['unit']} about {row['end_p50']:%Y-%m-%d}"
    return f"{row['status']}: {drift}{odd}{end}"
