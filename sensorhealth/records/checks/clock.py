"""Times from a clock that was reset or runs ahead."""

from __future__ import annotations

import numpy as np

from ..bench import SET_ASIDE, Array, Batch, Bench, shown
from ._tools import where, whole_day

ORDER = 38
FINDINGS = {
    "clock reset": "a time at the start of a clock's count, before the sensor was installed",
    "in the future": "a time far after everything else in the records",
}
_STARTS = np.array(["1900-01-01", "1970-01-01", "1980-01-01", "1980-01-06", "1990-01-01", "1999-12-31", "2000-01-01",
                    "2001-01-01", "2005-01-01", "2010-01-01"], dtype="datetime64[us]")  # fmt: skip
"""Where clocks of instruments and computers begin to count (common practice, no source)."""
_GAP = np.timedelta64(183, "D")
_FEW = 0.005
_FEWEST = 20


def check(bench: Bench) -> list[Batch]:
    """Set aside: what the time should be cannot be told from the records."""
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
