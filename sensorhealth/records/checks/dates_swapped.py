"""Dates in which day and month were exchanged."""

from __future__ import annotations

import numpy as np

from ..attempts import sorted_order
from ..bench import CORRECTED, SET_ASIDE, Array, Batch, Bench, shown
from ._tools import TABLES, last_moment, where, whole_day

ORDER = 40
FINDINGS = {"day and month swapped": "a date that only fits with day and month exchanged"}


def check(bench: Bench) -> list[Batch]:
    """Corrected where the swapped date fits the sensor's time in service and its neighbours, and the stated one does
    not.
    """
    return [*_written(bench), *_misplaced(bench)]


def _written(bench: Bench) -> list[Batch]:
    """Dates that can only be read in the other order than the rest of their column (31/12 among 12/31)."""
    batches = []
    for table in TABLES:
        for name, cells in bench.unreadable.get(table, {}).items():
            if len(cells.swapped):
                reason = "can only be read with day and month the other way round than the rest of the column"
                batches.append(
                    Batch("day and month swapped", table, name, CORRECTED, cells.swapped, reason, otherwise=SET_ASIDE)
                )
    return batches


def _misplaced(bench: Bench) -> list[Batch]:
    time = bench.column("calibrations", "time")
    swapped = _swapped(time)
    known = bench.used["calibrations"] & (bench.sensor_of() >= 0)
    possible = known & ~np.isnat(swapped)
    if not possible.any():
        return []
    installed, removed = whole_day(bench.of_sensor("installed")), last_moment(bench.of_sensor("removed"))
    end = _end(time[known])
    outside = (time < installed) | (time > removed) | (time > end)
    fits = (swapped >= installed) & ~(swapped > removed) & (swapped <= end)
    out_of_turn = _out_of_turn(bench, time, swapped, known)
    at = where(possible & fits & (outside | out_of_turn))
    why = {True: "outside the sensor's time in service", False: "out of turn between the rows around it"}
    reasons = [
        f"as stated it is {why[bool(out)]}; with day and month exchanged ({shown(new)[:10]}) it fits"
        for out, new in zip(outside[at], swapped[at], strict=True)
    ]
    return [
        Batch("day and month swapped", "calibrations", "time", CORRECTED, at, reasons=reasons,
              changes={"time": swapped[at]}, otherwise=SET_ASIDE)
    ]  # fmt: skip


def _swapped(time: Array) -> Array:
    """Each time with day and month exchanged; NaT where that gives no date or the same one."""
    day = time.astype("datetime64[D]")
    month = time.astype("datetime64[M]")
    year = time.astype("datetime64[Y]")
    day_number = (day - month.astype("datetime64[D]")).astype(np.int64)  # 0-based; meaningless for NaT, masked below
    month_number = (month - year.astype("datetime64[M]")).astype(np.int64)
    ok = ~np.isnat(time) & (day_number < 12) & (day_number != month_number)
    day_number, month_number = np.where(ok, day_number, 0), np.where(ok, month_number, 0)
    new_month = year.astype("datetime64[M]") + day_number.astype("timedelta64[M]")
    new_day = new_month.astype("datetime64[D]") + month_number.astype("timedelta64[D]")
    new = new_day.astype("datetime64[us]") + (time - day.astype("datetime64[us]"))
    return np.where(ok, new, np.datetime64("NaT", "us"))


def _end(times: Array) -> Array:
    """The end of the records, robustly: the last time that is not far beyond the 99.5 % of the rest."""
    if not len(times):
        return np.datetime64("NaT", "us")  # type: ignore[return-value]
    place = max(len(times) - 1 - len(times) // 200, 0)
    most = np.partition(times, place)[place]
    near = times[times <= most + np.timedelta64(31, "D")]
    end: Array = near.max()
    return end


def _out_of_turn(bench: Bench, time: Array, swapped: Array, known: Array) -> Array:
    """Rows that stand in the source between two rows of their sensor, in time only when swapped.

    Judged only where the two rows before and the two after are in order themselves, so that the source's order is one
    in time.
    """
    result = np.zeros(len(time), dtype=bool)
    rows = np.flatnonzero(known)
    sensor = bench.sensor_of()[rows]
    rows = rows[sorted_order(sensor, rows)]
    sensor, stated, other = bench.sensor_of()[rows], time[rows], swapped[rows]
    if len(rows) < 5:
        return result
    near = slice(2, len(rows) - 2)
    same = (sensor[:-4] == sensor[4:])  # fmt: skip
    before2, before, after, after2 = stated[:-4], stated[1:-3], stated[3:-1], stated[4:]
    orderly = (before2 <= before) & (before <= after) & (after <= after2)
    day = np.timedelta64(1, "D")
    wrong = (stated[near] < before - day) | (stated[near] > after + day)
    right = (other[near] >= before) & (other[near] <= after)
    result[rows[near][same & orderly & wrong & right]] = True
    return result
