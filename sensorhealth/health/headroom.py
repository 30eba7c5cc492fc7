"""What a reading says about headroom: one row per calibration that says something, with its gas and session."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sensorhealth.health.life_table import FleetTables, life_of, seconds

DAY = 86_400.0
YEAR_DAYS = 365.25
ADJUSTING = ("span", "full")
USED = (
    "row", "sensor_id", "time", "kind", "cylinder_id", "applied", "span_gain", "headroom", "temperature_c", "humidity_pct",
    "outcome", "technician",
)  # fmt: skip
CEILING_READINGS = 5
CEILING_SENSORS = 3
CEILING_RATIO = 2.0


def readings(fleet: FleetTables, lives: pd.DataFrame) -> pd.DataFrame:
    """One row per calibration that says something about headroom, sorted by sensor and time.

    lives: as from `lives`. Columns out:

    - row (of the calibrations table), sensor_id, life_id, stratum, lot, site, time, age_years (since the life began);
    - log_ratio: natural log of the headroom ratio: headroom / applied, or gain_limit / span_gain where there is no
      headroom (both are proportional to sensitivity); source: "headroom", "gain", "failed" or "passed";
    - censoring: 0 observed; +1 the true value is at or above (headroom stands at the display limit, recorded or plain
      from a top value that repeats over several sensors; or a span that passed without a value: log_ratio 0); -1 at or
      below (a span that failed without a value, or with the gain clipped at its limit: log_ratio 0);
    - cylinder ("" for none), cylinder_days (since it was opened, or first used where that is earlier or alone known);
    - session ("site date technician", "" where neither site nor technician is known), order_in_session (1 for the first
      visit to that cylinder in the session; readings of one instant share a number);
    - temperature_c, humidity_pct: as recorded.

    Zeros say nothing about span, a bump test only where its headroom is recorded, an aborted calibration nothing.
    """
    calibrations = fleet.calibrations
    position = pd.Index(fleet.sensors["sensor_id"]).get_indexer(pd.Index(calibrations["sensor_id"]))
    spoken = (position >= 0) & (calibrations["outcome"] != "aborted").to_numpy()
    spoken &= (calibrations["kind"] != "zero").to_numpy()
    table, position = calibrations.loc[spoken, list(USED)], position[spoken]
    ratio, source, censoring = _log_ratio(table, fleet, position)
    kept = np.isfinite(ratio)
    if not kept.all():
        table, position = table[kept], position[kept]
    life = life_of(lives, table["sensor_id"], table["time"])
    site = fleet.sensors["site"].to_numpy()[position]
    age = (seconds(table["time"]) - seconds(lives["installed"])[life]) / (DAY * YEAR_DAYS)
    session, order = _sessions(table, site)
    frame = pd.DataFrame(
        {
            "row": table["row"].to_numpy(),
            "sensor_id": table["sensor_id"].to_numpy(),
            "life_id": lives["life_id"].to_numpy()[life],
            "stratum": lives["stratum"].to_numpy()[life],
            "lot": lives["lot"].to_numpy()[life],
            "site": site,
            "time": table["time"].to_numpy(),
            "age_years": np.maximum(age, 0.0),
            "log_ratio": ratio[kept],
            "censoring": censoring[kept],
            "cylinder": table["cylinder_id"].to_numpy(),
            "cylinder_days": _cylinder_days(table, fleet),
            "session": session,
            "order_in_session": order,
            "temperature_c": table["temperature_c"].to_numpy(dtype=float),
            "humidity_pct": table["humidity_pct"].to_numpy(dtype=float),
            "source": source[kept],
        }
    )
    return frame


def reads_low(log_ratio: ArrayLike, censoring: ArrayLike, limit: float = 0.0) -> NDArray[np.bool_]:
    """Which readings (N,) tell that the sensor was at its limit or below: read so, or known to be at most that. One known from
    below (censoring +1) may lie anywhere above.

    log_ratio: ln headroom ratio, as recorded or net of the gas; limit: of the same.
    """
    side = np.asarray(censoring)
    return (side < 0) | ((np.asarray(log_ratio) <= limit) & (side == 0))


def only_passed(readings: pd.DataFrame) -> NDArray[np.bool_]:
    """Readings (N,) that say no more than that the sensor could still be adjusted: a span that passed without a value."""
    return ((readings["censoring"] > 0) & (readings["log_ratio"] <= 0.0)).to_numpy()


def _log_ratio(
    table: pd.DataFrame, fleet: FleetTables, position: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.object_], NDArray[np.int8]]:
    """ln headroom ratio (NaN where a row says nothing), where it comes from, and its censoring."""
    sensors = fleet.sensors
    headroom = table["headroom"].to_numpy(dtype=float)
    gain = table["span_gain"].to_numpy(dtype=float)
    limit = sensors["gain_limit"].to_numpy(dtype=float)[position]
    adjusting = table["kind"].isin(ADJUSTING).to_numpy()
    failed = adjusting & (table["outcome"] == "fail").to_numpy()
    applied = _applied(table, sensors["gas"].to_numpy()[position], fleet.cylinders)
    with np.errstate(divide="ignore", invalid="ignore"):
        from_headroom = np.log(headroom / applied)
        from_gain = np.where(adjusting, np.log(limit / gain), np.nan)
    by_headroom, by_gain = np.isfinite(from_headroom), np.isfinite(from_gain)
    ratio = np.where(by_headroom, from_headroom, from_gain)
    source = np.where(by_headroom, "headroom", "gain").astype(object)
    censoring = np.zeros(len(table), dtype=np.int8)
    censoring[by_headroom & (headroom >= _ceiling(table, headroom, sensors, position))] = 1
    clipped = failed & ~by_headroom & by_gain & (gain >= limit * (1 - 1e-9))
    valueless = failed & ~by_headroom & ~by_gain
    ratio[clipped | valueless] = 0.0
    censoring[clipped | valueless] = -1
    source[valueless] = "failed"
    passed = adjusting & (table["outcome"] == "pass").to_numpy() & ~by_headroom & ~by_gain
    ratio[passed], censoring[passed], source[passed] = 0.0, 1, "passed"
    return ratio, source, censoring


def _applied(table: pd.DataFrame, gas: NDArray[np.object_], cylinders: pd.DataFrame) -> NDArray[np.float64]:
    """Concentration applied; where it was not written down, the one on the label of the cylinder."""
    applied = table["applied"].to_numpy(dtype=float)
    blank = ~(applied > 0) & (table["cylinder_id"] != "").to_numpy()
    if not blank.any() or cylinders.empty:
        return np.where(applied > 0, applied, np.nan)
    label = cylinders.drop_duplicates(["cylinder_id", "gas"]).set_index(["cylinder_id", "gas"])["concentration"]
    wanted = pd.MultiIndex.from_arrays([table["cylinder_id"].to_numpy()[blank], gas[blank]])
    found = label.reindex(wanted).to_numpy(dtype=float)
    applied = applied.copy()
    applied[blank] = found
    return np.where(applied > 0, applied, np.nan)


def _ceiling(
    table: pd.DataFrame, headroom: NDArray[np.float64], sensors: pd.DataFrame, position: NDArray[np.intp]
) -> NDArray[np.float64]:
    """Largest headroom that the instrument can show, per row; infinite where none is known or plain from the readings.

    Without a recorded display limit it is taken from the readings of one gas, unit and model: a top value that stands
    at least CEILING_READINGS times, on CEILING_SENSORS sensors, and CEILING_RATIO times as often as the next value.
    """
    limit = sensors["display_limit"].to_numpy(dtype=float)
    unknown = ~np.isfinite(limit)
    ceiling = np.where(unknown, np.inf, limit)[position]
    if not unknown.any():
        return ceiling
    kind = sensors.groupby(["gas", "unit", "model", "technology"], sort=False).ngroup().to_numpy()[position]
    guess = np.flatnonzero(unknown[position] & np.isfinite(headroom))
    if not len(guess):
        return ceiling
    plain = _stands_out(kind[guess].astype(np.intp), headroom[guess], position[guess])
    ceiling[guess] = plain[kind[guess]]
    return ceiling


def _stands_out(kind: NDArray[np.intp], headroom: NDArray[np.float64], sensor: NDArray[np.intp]) -> NDArray[np.float64]:
    """Top value of each kind where it stands so often that it must be the largest that can be shown; infinite where not."""
    size = int(kind.max(initial=-1)) + 1
    top, next_ = np.full(size, -np.inf), np.full(size, -np.inf)
    np.maximum.at(top, kind, headroom)
    at_top = headroom == top[kind]
    np.maximum.at(next_, kind[~at_top], headroom[~at_top])
    times, below = (np.bincount(kind[mask], minlength=size) for mask in (at_top, headroom == next_[kind]))
    sensors = np.bincount(np.unique(np.stack([kind, sensor])[:, at_top], axis=1)[0], minlength=size)
    plain = (times >= CEILING_READINGS) & (sensors >= CEILING_SENSORS) & (below > 0) & (times >= CEILING_RATIO * below)
    return np.where(plain, top, np.inf)


def _cylinder_days(table: pd.DataFrame, fleet: FleetTables) -> NDArray[np.float64]:
    """Days since the cylinder was opened, or first used where earlier or alone known; NaN without a cylinder."""
    used = fleet.calibrations[["cylinder_id", "time"]]
    first = used.groupby("cylinder_id")["time"].min()
    code = first.index.get_indexer(pd.Index(table["cylinder_id"]))
    opened = fleet.cylinders.groupby("cylinder_id")["opened"].min().reindex(first.index)
    start = np.fmin(np.asarray(first, dtype="datetime64[s]"), np.asarray(opened, dtype="datetime64[s]"))
    days = (seconds(table["time"]) - start.astype(np.int64)[code]) / DAY
    return np.where((table["cylinder_id"] != "").to_numpy(), days, np.nan)


def _sessions(table: pd.DataFrame, site: NDArray[np.object_]) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Session of each reading ("site date technician", "" where unknown) and the order of its visit to the cylinder."""
    when = seconds(table["time"])
    day = when // int(DAY)
    site_code, sites = pd.factorize(site)
    person_code, people = pd.factorize(table["technician"].to_numpy())
    key = (day - day.min(initial=0)) * (len(sites) * len(people) + 1) + site_code * len(people) + person_code
    session, first = _dense(key)
    date = np.datetime_as_string((day[first] * int(DAY)).astype("datetime64[s]"), unit="D")
    names = np.array(
        [
            f"{sites[s]} {d} {people[p]}" if (sites[s] or people[p]) else ""
            for s, d, p in zip(site_code[first], date, person_code[first])
        ],
        dtype=object,
    )
    cylinder, _ = pd.factorize(table["cylinder_id"])
    group = session * (cylinder.max(initial=0) + 1) + cylinder
    return names[session], _dense_rank(group, when)


def _dense(key: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Number of each distinct key and the position where it is first seen."""
    code, _ = pd.factorize(key)
    first = np.full(code.max(initial=-1) + 1, -1, dtype=np.int64)
    first[code[::-1]] = np.arange(len(code))[::-1]
    return code, first


def _dense_rank(group: NDArray[np.int64], value: NDArray[np.int64]) -> NDArray[np.int64]:
    """Rank of the value within its group, equal values sharing a rank, from 1."""
    order = np.lexsort((value, group))
    sorted_group, sorted_value = group[order], value[order]
    new_group = np.r_[True, sorted_group[1:] != sorted_group[:-1]][: len(order)]
    step = new_group | np.r_[True, sorted_value[1:] != sorted_value[:-1]][: len(order)]
    running = np.cumsum(step)
    start = np.maximum.accumulate(np.where(new_group, running, 0))
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = running - start + 1
    return rank
