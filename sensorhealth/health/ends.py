"""Sensors that ended between two readings: the last before stood well, the next was low and no later one came back.

What ended a sensor cannot be read off a fall alone. Told apart are: a technology that runs out (its lead is used up); a sensor
that died (it left no value any more, and was not removed as worn or poisoned); a step down that took it below its limit
(poisoning, over-range, drying), confirmed by a repeat, by the other sensors of its instrument that read well at the same visit,
by the reason of its removal, or by records that hold no repeats at all; and one low reading that nothing confirms, which may
have been a leak. A last fall of less than LEAST_FALL is wear that went faster at the end, and so is every fall where nearly all
ends of a kind of sensor would be steps: that kind ages with a knee.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.change_points import DOWN
from sensorhealth.health.fault_search import FoundFaults
from sensorhealth.health.headroom import only_passed, reads_low
from sensorhealth.health.path_filter import IntArray
from sensorhealth.technologies import flat_technologies

BoolArray = NDArray[np.bool_]

STEP, DIED, RAN_OUT, ONE_READING, WORN = "step", "died", "ran out", "one reading", "worn"
ENDS_BY_ITSELF = ("soft", "sudden")
CONFIRMING = ("poisoned", "damaged")
NOT_DEAD = ("worn", *CONFIRMING)
ONE_VISIT = np.timedelta64(24, "h")
LOW = -3.0
COLLAPSE_YEARS = 0.25
DEAD_FALL = float(np.log(0.3))
LEAST_FALL = float(np.log(0.87))
FALLS_ON = 0.1
REPEATS_RECORDED = 0.1
# Ends by a step, and their share of all ends of a kind, that make them its way to wear (poisoned sites may reach a half)
FEWEST_ENDS, USUAL = 4, 0.7
COLUMNS = (
    "life_id", "sensor_id", "stratum", "time_before", "time_after", "first_row", "ratio_before", "size", "at_least",
    "probability", "how",
)  # fmt: skip


def ends_by_collapse(table: pd.DataFrame) -> BoolArray:
    """Readings of a technology whose headroom stays flat and then ends in weeks."""
    return table["technology"].isin(flat_technologies()).to_numpy()


def removal_reasons(lives: pd.DataFrame) -> NDArray[np.object_]:
    """Why each life ended, "" while it runs; by the kind of its end where no reason is given."""
    if "removal_reason" in lives:
        return lives["removal_reason"].to_numpy(dtype=object)
    return lives["end_kind"].map({"soft": "worn", "sudden": "sudden", "censored": "other"}).fillna("").to_numpy(dtype=object)


def last_of_life(life: NDArray) -> IntArray:
    """Flat position of the last reading in the life of each reading."""
    last = np.flatnonzero(np.r_[life[1:] != life[:-1], True])
    return np.repeat(last, np.diff(np.r_[-1, last]))


def from_here_on(flag: BoolArray, life: NDArray) -> BoolArray:
    """Whether a reading or any later one of its life has the flag; readings by life and time."""
    if not len(flag):
        return flag
    following = np.minimum.accumulate(np.where(flag, np.arange(len(flag)), len(flag))[::-1])[::-1]
    return np.asarray(following <= last_of_life(life), dtype=bool)


def at_last_visit(table: pd.DataFrame, life: NDArray) -> BoolArray:
    """Readings of the last visit of their life so far."""
    time = table["time"].to_numpy()
    return time[last_of_life(life)] - time < ONE_VISIT


def never_again(table: pd.DataFrame, life: NDArray) -> BoolArray:
    """Readings from which on their sensor was never adjustable again."""
    value = np.where(only_passed(table), np.inf, table["log_ratio"].to_numpy())
    return ~from_here_on(value > 0.0, life)


def final_readings(table: pd.DataFrame, ended: BoolArray) -> BoolArray:
    """Readings a fall to which is the sensor's end: of the last visit of a life that ended by itself, never adjustable again
    in such a life, or without a value from there on."""
    life = table["life"].to_numpy()
    never = never_again(table, life)
    return (ended & (at_last_visit(table, life) | never)) | (never & _no_value(table, life))


def low_mates(table: pd.DataFrame) -> tuple[BoolArray, BoolArray]:
    """Of each reading: whether another sensor of its instrument read clearly low on the same day, and whether others were read
    there and none did."""
    owned = (table["instrument_id"] != "").to_numpy()
    low = (table["deviation"] < LOW * table["deviation_sd"]).to_numpy() & owned
    read, lows = np.zeros((2, len(table)), dtype=np.int64)
    if owned.any():
        visit = [table["instrument_id"][owned], table["time"][owned].dt.floor("D")]
        sensor = table["sensor_id"][owned]
        read[owned] = sensor.groupby(visit).transform("nunique").to_numpy()
        lows[owned] = sensor.where(low[owned]).groupby(visit).transform("nunique").to_numpy()
    return low & (lows >= 2), owned & (read >= 2) & (lows - low < 1)


def ends_between_readings(table: pd.DataFrame, found: FoundFaults, ended: BoolArray, back: BoolArray) -> pd.DataFrame:
    """One row for each fault that was the sensor's end; `at` is its position in `table`, `how` one of the kinds above.

    table: readings with life_id after the swaps, technology, removal_reason, over (the sensor is gone) and deviations.
    ended (readings,): the life ended by itself. back (faults,): a later reading came back.
    """
    names, time, faults = table["life_id"].to_numpy(), table["time"].to_numpy(), found.faults
    life = np.cumsum(np.r_[False, names[1:] != names[:-1]])
    at, last = faults.position, last_of_life(life)[faults.position]
    never, silent = never_again(table, life)[at], _no_value(table, life)[at]
    one_visit = time[last] - time[at] < ONE_VISIT
    reason = table["removal_reason"].to_numpy(dtype=object)[at]
    confirming = np.isin(reason, CONFIRMING)
    together, mates_well = (part[at] for part in low_mates(table))
    handled = one_visit & together & ~confirming
    before = np.maximum(at - 1, 0)
    low = (faults.kind <= DOWN) & (faults.size < 0) & ~back
    fell = low & (before < at) & (life[before] == life[at])
    ending = fell & ended[at] & (one_visit | never) & ~handled
    gone = (silent | (never & (faults.size < DEAD_FALL))) & ~np.isin(reason, NOT_DEAD)
    failing = fell & ~ended[at] & ~one_visit & silent
    ran_out = fell & _collapsing(table)[at] & ended[at] & ~handled & (one_visit | never | _falls_on(table, at, last))
    seen_twice = (last > at) | mates_well
    sure = ~one_visit | seen_twice | confirming | (not _repeats_recorded(table))
    stepped = fell & one_visit & seen_twice & ~together & table["over"].to_numpy()[at]
    how = np.select(
        [
            low & ~fell & ended[at],
            ran_out,
            (ending & gone) | failing,
            ending & (faults.size > LEAST_FALL),
            (ending & sure) | stepped,
            ending,
        ],
        [WORN, RAN_OUT, DIED, WORN, STEP, ONE_READING],
        default="",
    ).astype(object)
    how = np.where((how == STEP) & _usual(table, at[how == STEP], ended)[at], WORN, how)
    which = how != ""
    frame = table.loc[at[which], ["life_id", "sensor_id", "stratum"]].reset_index(drop=True)
    frame["time_before"], frame["time_after"] = time[before[which]], time[at[which]]
    frame["first_row"] = table["row"].to_numpy()[at[which]]
    frame["ratio_before"] = np.exp(table["log_ratio"].to_numpy()[before[which]])
    frame["size"], frame["at_least"] = faults.size[which], silent[which]
    frame["probability"], frame["how"], frame["at"] = faults.probability[which], how[which], at[which]
    return frame.sort_values(["sensor_id", "time_after"], ignore_index=True)


def _usual(table: pd.DataFrame, steps: IntArray, ended: BoolArray) -> BoolArray:
    """Readings of a kind of sensor nearly all of whose ends would be steps: then it ages with a knee, and its falls are wear."""
    stratum = table["stratum"]
    if not len(steps):
        return np.zeros(len(table), dtype=bool)
    ends = table["life_id"].where(ended).groupby(stratum).nunique()
    stepped = table["life_id"].iloc[steps].groupby(stratum.iloc[steps]).nunique().reindex(ends.index).fillna(0)
    many = (stepped >= FEWEST_ENDS) & (stepped > USUAL * ends)
    return stratum.map(many).to_numpy(dtype=bool)


def _no_value(table: pd.DataFrame, life: NDArray) -> BoolArray:
    """Readings from which on no test of their life left a value."""
    return ~from_here_on((table["censoring"] >= 0).to_numpy(), life)


def _collapsing(table: pd.DataFrame) -> BoolArray:
    """Readings within COLLAPSE_YEARS of the last of their life, of a technology that ends by collapse."""
    age = table["age_years"].to_numpy()
    late = age[last_of_life(table["life_id"].to_numpy())] - age < COLLAPSE_YEARS
    return ends_by_collapse(table) & late


def _falls_on(table: pd.DataFrame, at: IntArray, last: IntArray) -> BoolArray:
    """Whether the readings after those at `at` up to the last ones of their lives stand lower still, in the median."""
    value = table["net"].where(table["censoring"] >= 0, -np.inf).mask(only_passed(table), np.inf).to_numpy()
    later = [np.median(value[min(i + 1, j) : j + 1]) for i, j in zip(at, last)]
    return np.array(later, dtype=np.float64) < table["net"].to_numpy()[at] - FALLS_ON


def _repeats_recorded(table: pd.DataFrame) -> bool:
    """Whether failed tests of this fleet were repeated on the day, and the repeats are in its records."""
    failed = table[reads_low(table["log_ratio"], table["censoring"])]
    some = table.loc[table["sensor_id"].isin(failed["sensor_id"]), ["sensor_id", "time"]]
    visits = failed.groupby([failed["sensor_id"], failed["time"].dt.floor("D")]).size()
    readings = some.groupby([some["sensor_id"], some["time"].dt.floor("D")]).size().reindex(visits.index)
    return len(visits) > 0 and float((readings > 1).mean()) >= REPEATS_RECORDED
