"""Times far after everything else in the records: a clock that runs ahead, or a date that was typed wrong."""

from __future__ import annotations

import numpy as np

from ..bench import SET_ASIDE, Array, Batch, Bench, shown
from ._tools import where

ORDER = 42
FINDINGS = {"in the future": "a time far after everything else in the records"}
_FAR = np.timedelta64(183, "D")
_NEAR = np.timedelta64(31, "D")
_TIMES = 5
_FEW = 0.005
_FEWEST = 20
_DENSE = 200


def check(bench: Bench) -> list[Batch]:
    """Set aside, once dates with day and month exchanged have been put right: what the time should be is not known."""
    time = bench.column("calibrations", "time")
    used = bench.used["calibrations"]
    end = _end_before_gap(time[used])
    reason = f"long after all other records, which end on {shown(end)[:10]}: a clock that runs ahead, or a slip; mend the time"
    return [Batch("in the future", "calibrations", "time", SET_ASIDE, where(used & (time > end)), reason)]


def _end_before_gap(times: Array) -> np.datetime64:
    """The last time before a gap after which only a few of the rows come; the last time where there is none.

    A gap is half a year; in records of many rows also a month that is five times the longest pause in the half of the rows
    before it.
    """
    if len(times) < _FEWEST:
        return np.datetime64(times.max() if len(times) else "NaT", "us")
    few = max(1, int(_FEW * len(times)))
    counted = times.astype("datetime64[us]").view(np.int64)
    tail = np.sort(np.partition(counted, len(times) - few - 1)[-few - 1 :]).view("datetime64[us]")
    longest = _FAR
    if len(times) >= _DENSE:
        later = np.sort(counted[(counted >= np.median(counted)) & (counted <= tail[0].astype(np.int64))]).view("datetime64[us]")
        longest = min(_FAR, max(_NEAR, _TIMES * np.diff(later).max()))
    gaps = np.flatnonzero(np.diff(tail) > longest)
    return np.datetime64(tail[gaps[0]] if len(gaps) else tail[-1], "us")
