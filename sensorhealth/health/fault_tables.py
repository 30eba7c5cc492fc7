"""From the faults that the search found to tables: what is a bad reading, a step, a swap, or simply the sensor's end."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.change_points import DOWN, KINDS, SINGLE, SWAP
from sensorhealth.health.ends import STEP, at_last_visit
from sensorhealth.health.fault_search import FoundFaults
from sensorhealth.health.headroom import only_passed

STEP_COLUMNS = (
    "life_id", "sensor_id", "stratum", "time_before", "time_after", "first_row", "size", "std_error", "probability",
    "kind", "earliest", "latest", "p_value", "ended",
)  # fmt: skip


def life_after_swaps(table: pd.DataFrame, found: FoundFaults) -> NDArray[np.object_]:
    """life_id of each reading once the swaps found have split the lives ("a" -> "a", "a/2", ...)."""
    swapped = np.zeros(len(table), dtype=np.int64)
    swapped[found.faults.position[found.faults.kind == SWAP]] = 1
    if not swapped.any():
        return table["life_id"].to_numpy(dtype=object)
    by_sensor = pd.Series(swapped).groupby(table["sensor_id"].to_numpy(), sort=False).cumsum().to_numpy()
    sensor = table["sensor_id"].to_numpy(dtype=object)
    old = table["life_id"].to_numpy(dtype=object)
    number = [int(name[len(own) + 1 :]) if name != own else 1 for own, name in zip(sensor, old)]
    return np.array([own if n + k == 1 else f"{own}/{n + k}" for own, n, k in zip(sensor, number, by_sensor)], dtype=object)


def back_on_the_path(table: pd.DataFrame, found: FoundFaults) -> NDArray[np.bool_]:
    """Whether a later reading of the same life has come back at least half of the way; a failure without a value has
    not."""
    at = found.faults.position
    named = table["life_id"].to_numpy()
    number = np.cumsum(np.r_[False, named[1:] != named[:-1]][: len(named)])
    asked = np.zeros(number[-1] + 1 if len(number) else 0, dtype=bool)
    asked[number[at]] = True
    own = asked[number]  # of the lives with faults alone
    part, life = table.loc[own, ["net", "censoring", "log_ratio"]], number[own]
    told = part["net"].where((part["censoring"] >= 0) & ~only_passed(part))
    reverse = told.groupby(life).shift(-1)[::-1].groupby(life[::-1], sort=False)
    highest, lowest = np.full((2, len(table)), np.nan)
    highest[own], lowest[own] = reverse.cummax()[::-1].to_numpy(), reverse.cummin()[::-1].to_numpy()
    off = np.where(found.faults.kind == SINGLE, found.deviation[at], found.faults.size)
    value = table["net"].to_numpy()[at]
    return np.where(off < 0, highest[at] >= value - off / 2, lowest[at] <= value - off / 2)


def _one_low_visit(table: pd.DataFrame, found: FoundFaults) -> NDArray[np.bool_]:
    """Faults at the last visit of their life so far: one low visit is a bad reading or a step, who can tell."""
    last = at_last_visit(table, table["life_id"].to_numpy())
    return last[found.faults.position] & np.isin(found.faults.kind, (SINGLE, DOWN))


def single_readings(table: pd.DataFrame, found: FoundFaults, back: NDArray[np.bool_], ends: pd.DataFrame) -> pd.DataFrame:
    """Single bad readings: those that were followed by a recovery, and those that are the last so far.

    The last readings of a sensor that then ended by itself are its end (`ends`), not bad readings. over: the sensor is gone,
    so that nothing can be repeated on it.
    """
    single, last = found.faults.kind == SINGLE, _one_low_visit(table, found)
    which = (single & back) | (last & ~back & ~np.isin(found.faults.position, ends["at"]))
    at = found.faults.position[which]
    columns = ["row", "life_id", "sensor_id", "stratum", "time", "cylinder", "session", "over"]
    frame = table.loc[at, columns].reset_index(drop=True)
    frame["residual"] = np.where(single, found.deviation[found.faults.position], found.faults.size)[which]
    frame["std_error"] = np.where(single, found.deviation_sd[found.faults.position], found.faults.std_error)[which]
    frame["probability"], frame["p_value"] = found.faults.probability[which], found.faults.p_value[which]
    frame["recovered"] = [True if recovered else None for recovered in (single & back)[which]]
    frame["recovered"] = frame["recovered"].astype(object)
    return frame.sort_values(["sensor_id", "time", "row"], ignore_index=True)


def steps_and_swaps(table: pd.DataFrame, found: FoundFaults, ends: pd.DataFrame) -> pd.DataFrame:
    """Steps and swaps as a table; a step that ended its sensor at the very next reading is one of them, and says so."""
    faults = found.faults
    ended = np.isin(faults.position, ends.loc[ends["how"] == STEP, "at"])
    rest = (faults.kind != SINGLE) & ~_one_low_visit(table, found) & ~np.isin(faults.position, ends["at"])
    which = ended | rest
    at = faults.position[which]
    frame = table.loc[at, ["life_id", "sensor_id", "stratum"]].reset_index(drop=True)
    time = table["time"].to_numpy()
    before = at - 1
    frame["time_before"], frame["time_after"] = time[before], time[at]
    frame["first_row"] = table["row"].to_numpy()[at]
    frame["size"], frame["std_error"] = faults.size[which], faults.std_error[which]
    frame["probability"], frame["p_value"] = faults.probability[which], faults.p_value[which]
    frame["kind"] = np.array(KINDS, dtype=object)[np.where(ended, DOWN, faults.kind)[which]]
    frame["earliest"] = time[np.where(ended[which], before, np.minimum(faults.earliest[which] - 1, before))]
    frame["latest"] = time[np.where(ended[which], at, np.maximum(faults.latest[which], at))]
    frame["ended"] = ended[which]
    return frame.sort_values(["sensor_id", "time_after"], ignore_index=True)[list(STEP_COLUMNS)]
