"""From the faults that the search found to tables: what is a bad reading, a step, a swap, or simply the sensor's
end."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.change_points import DOWN, KINDS, SINGLE, SWAP
from sensorhealth.health.fault_search import FoundFaults
from sensorhealth.health.path_filter import IntArray
from sensorhealth.technologies import technologies

ENDS_BY_ITSELF = ("soft", "sudden")
ONE_VISIT = np.timedelta64(24, "h")
LOW = -3.0
COLLAPSE_YEARS = 0.25
DEAD_FALL = float(np.log(0.3))
STEP_COLUMNS = (
    "life_id", "sensor_id", "stratum", "time_before", "time_after", "first_row", "size", "std_error", "probability",
    "kind", "earliest", "latest", "p_value",
)  # fmt: skip


def life_after_swaps(table: pd.DataFrame, found: FoundFaults) -> NDArray[np.object_]:
    """life_id of each reading once the swaps found have split the lives ("a" -> "a", "a/2", ...)."""
    swapped = np.zeros(len(table), dtype=np.int64)
    swapped[found.faults.position[found.faults.kind == SWAP]] = 1
    by_sensor = pd.Series(swapped).groupby(table["sensor_id"].to_numpy(), sort=False).cumsum().to_numpy()
    if not by_sensor.any():
        return table["life_id"].to_numpy(dtype=object)
    sensor = table["sensor_id"].to_numpy(dtype=object)
    old = table["life_id"].to_numpy(dtype=object)
    number = [int(name[len(own) + 1 :]) if name != own else 1 for own, name in zip(sensor, old)]
    return np.array([own if n + k == 1 else f"{own}/{n + k}" for own, n, k in zip(sensor, number, by_sensor)], dtype=object)


def _last_of_life(table: pd.DataFrame) -> IntArray:
    """Flat position of the last reading in the life of each reading."""
    life = table["life_id"].to_numpy()
    last = np.flatnonzero(np.r_[life[1:] != life[:-1], True])
    return last[np.searchsorted(last, np.arange(len(life)))]


def ended_by_itself(table: pd.DataFrame, first_life: NDArray[np.object_], end_kind: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Whether the life of each reading ended by itself: removed as worn or dead, or replaced without a record."""
    life = table["life_id"].to_numpy()
    final = pd.Series(life).groupby(first_life).transform("last").to_numpy()
    return np.isin(end_kind, ENDS_BY_ITSELF) | (life != final)


def _at_the_end(table: pd.DataFrame, found: FoundFaults) -> NDArray[np.bool_]:
    """Faults at the last visit of their life so far: one low visit is a bad reading or a step, who can tell."""
    time = table["time"].to_numpy()
    last = _last_of_life(table)[found.faults.position]
    return (time[last] - time[found.faults.position] < ONE_VISIT) & np.isin(found.faults.kind, (SINGLE, DOWN))


def _low_together(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether another sensor of the same instrument read clearly low on the same day."""
    low = (table["deviation"] < LOW * table["deviation_sd"]) & (table["instrument_id"] != "")
    visit = [table["instrument_id"], table["time"].dt.floor("D")]
    sensors = table["sensor_id"].where(low).groupby(visit).transform("nunique")
    return (low & (sensors >= 2)).to_numpy()


def _back_on_the_path(table: pd.DataFrame, found: FoundFaults) -> NDArray[np.bool_]:
    """Whether a later reading of the same life has come back at least half of the way; a failure without a value has
    not."""
    life = table["life_id"].to_numpy()[::-1]
    told = table["net"].where(table["censoring"] >= 0)
    later = told.groupby(table["life_id"].to_numpy()).shift(-1)
    reverse = later[::-1].groupby(life, sort=False)
    highest, lowest = reverse.cummax()[::-1].to_numpy(), reverse.cummin()[::-1].to_numpy()
    at = found.faults.position
    off, value = found.deviation[at], table["net"].to_numpy()[at]
    return np.where(off < 0, highest[at] >= value - off / 2, lowest[at] <= value - off / 2)


def single_readings(table: pd.DataFrame, found: FoundFaults, ended: NDArray[np.bool_]) -> pd.DataFrame:
    """Single bad readings: those that were followed by a recovery, and those that are the last so far.

    The last readings of a sensor that then ended by itself are its end, not bad readings, unless other sensors of its
    instrument read low at the same visit.
    """
    single, last, back = found.faults.kind == SINGLE, _at_the_end(table, found), _back_on_the_path(table, found)
    ending = (ended & ~_low_together(table))[found.faults.position]
    which = (single & back) | (last & ~back & ~ending)
    at = found.faults.position[which]
    columns = ["row", "life_id", "sensor_id", "stratum", "time", "cylinder", "session"]
    frame = table.loc[at, columns].reset_index(drop=True)
    frame["residual"], frame["std_error"] = found.deviation[at], found.deviation_sd[at]
    frame["probability"], frame["p_value"] = found.faults.probability[which], found.faults.p_value[which]
    frame["recovered"] = [True if recovered else None for recovered in (single & back)[which]]
    frame["recovered"] = frame["recovered"].astype(object)
    return frame.sort_values(["sensor_id", "time", "row"], ignore_index=True)


def _the_end(table: pd.DataFrame, found: FoundFaults, ended: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Faults that are the sensor's end and not a step: never adjustable again, in a life that then ended, and either a
    dead sensor or one of a technology that ends by collapse."""
    last = _last_of_life(table)
    life = table["life_id"].to_numpy()[::-1]
    best = pd.Series(table["log_ratio"].to_numpy()[::-1]).groupby(life, sort=False).cummax().to_numpy()[::-1]
    collapsing = [name for name, facts in technologies().items() if not facts.soft_end]
    age = table["age_years"].to_numpy()
    collapses = table["technology"].isin(collapsing).to_numpy() & (age[last] - age < COLLAPSE_YEARS)
    at = found.faults.position
    dead = (best[at] <= 0) & (found.faults.size < DEAD_FALL)
    return (found.faults.kind != SWAP) & ended[at] & (dead | collapses[at])


def steps_and_swaps(table: pd.DataFrame, found: FoundFaults, ended: NDArray[np.bool_]) -> pd.DataFrame:
    """Steps and swaps as a table."""
    which = (found.faults.kind != SINGLE) & ~_at_the_end(table, found) & ~_the_end(table, found, ended)
    at = found.faults.position[which]
    frame = table.loc[at, ["life_id", "sensor_id", "stratum"]].reset_index(drop=True)
    time = table["time"].to_numpy()
    before = at - 1
    frame["time_before"], frame["time_after"] = time[before], time[at]
    frame["first_row"] = table["row"].to_numpy()[at]
    frame["size"], frame["std_error"] = found.faults.size[which], found.faults.std_error[which]
    frame["probability"], frame["p_value"] = found.faults.probability[which], found.faults.p_value[which]
    frame["kind"] = np.array(KINDS, dtype=object)[found.faults.kind[which]]
    frame["earliest"] = time[np.minimum(found.faults.earliest[which] - 1, before)]
    frame["latest"] = time[np.maximum(found.faults.latest[which], at)]
    return frame.sort_values(["sensor_id", "time_after"], ignore_index=True)[list(STEP_COLUMNS)]
