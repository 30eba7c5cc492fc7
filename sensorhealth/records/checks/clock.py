"""Times from a clock that was reset or runs ahead."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, SET_ASIDE, Array, Batch, Bench, shown
from ._tools import where, whole_day

ORDER = 45
FINDINGS = {
    "clock reset": "a time at the start of a clock's count, before the sensor was installed",
    "in the future": "a time far after everything else in the records",
    "out of order": "a time that does not fit its place in records kept in order",
}
_STARTS = np.array(["1900-01-01", "1970-01-01", "1980-01-01", "1980-01-06", "1990-01-01", "1999-12-31", "2000-01-01",
                    "2001-01-01", "2005-01-01", "2010-01-01"], dtype="datetime64[us]")  # fmt: skip
"""Where clocks of instruments and computers begin to count (common practice, no source)."""
_GAP = np.timedelta64(183, "D")
_FEW = 0.005
_FEWEST = 20
_ORDERLY = 0.98
_ASTRAY = np.timedelta64(30, "D")


def check(bench: Bench) -> list[Batch]:
    """Resets and far futures set aside; a time at odds with the order of the rows is doubted, it may be a late
    upload."""
    time = bench.column("calibrations", "time")
    used = bench.used["calibrations"]
    reset = used & (time < whole_day(bench.of_sensor("installed"))) & _near_a_start(time)
    end = _end_before_gap(time[used & ~reset])
    future = used & (time > end)
    return [
        Batch("clock reset", "calibrations", "time", SET_ASIDE, where(reset),
              "a clock that was reset counts from here; set the instrument's clock, and mend the time if it is known"),
        Batch("in the future", "calibrations", "time", SET_ASIDE, where(future),
              f"more than half a year after all other records, which end on {shown(end)[:10]}; mend the time"),
        Batch("out of order", "calibrations", "time", DOUBTED, _astray(time, used & ~reset & ~future),
              "the rows before and after it are of quite another time: a wrong clock or a late upload", by="sensor_id"),
    ]  # fmt: skip


def _near_a_start(time: Array) -> Array:
    near = np.zeros(len(time), dtype=bool)
    for start in _STARTS:
        near |= (time >= start) & (time < start + np.timedelta64(3, "D"))
    return near


def _end_before_gap(times: Array) -> np.datetime64:
    """The last time before a gap of half a year after which only a few of the rows come; the last time where there is
    none.
    """
    if len(times) < _FEWEST:
        return np.datetime64(times.max() if len(times) else "NaT", "us")
    few = max(1, int(_FEW * len(times)))
    counted = times.astype("datetime64[us]").view(np.int64)
    tail = np.sort(np.partition(counted, len(times) - few - 1)[-few - 1 :]).view("datetime64[us]")
    gaps = np.flatnonzero(np.diff(tail) > _GAP)
    return np.datetime64(tail[gaps[0]] if len(gaps) else tail[-1], "us")


def _astray(time: Array, used: Array) -> Array:
    """Rows far from the times around them, in a table whose rows otherwise stand in order of time."""
    rows = np.flatnonzero(used)
    if len(rows) < _FEWEST:
        return rows[:0]
    stated = time[rows]
    forward = stated[1:] >= stated[:-1]
    if forward.mean() < _ORDERLY:
        return rows[:0]
    before, after = np.maximum.accumulate(stated), np.minimum.accumulate(stated[::-1])[::-1]
    late = np.append(False, stated[1:] < before[:-1] - _ASTRAY)
    early = np.append(stated[:-1] > after[1:] + _ASTRAY, False)
    suspect = late if late.sum() <= early.sum() else early  # one stray row makes all later ones look late, or all earlier early
    return rows[suspect] if suspect.sum() <= max(1, (1 - _ORDERLY) * len(rows)) else rows[:0]
