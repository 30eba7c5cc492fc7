"""Dates of installation and removal in which day and month were exchanged."""

from __future__ import annotations

import numpy as np

from ..bench import CORRECTED, DOUBTED, Array, Batch, Bench, shown
from ..raw import IntArray
from ._tools import last_moment, swapped, where, whole_day

ORDER = 39
FINDINGS = {
    "day and month swapped": "a date that only fits with day and month exchanged",
    "installed after its calibrations": "a sensor most of whose calibrations come before its date of installation",
    "removed before its calibrations": "a sensor most of whose calibrations come after its date of removal",
}
_FEWEST = 3
_NEAR = np.timedelta64(400, "D")


def check(bench: Bench) -> list[Batch]:
    """Corrected where three calibrations or more contradict the stated date, and the swapped one fits them all closely.

    Where most contradict it and a swap does not explain it, the date is doubted; the calibrations are dealt with later.
    """
    first, last, early, late, total = _calibrated(bench)
    installed, removed = bench.column("sensors", "installed"), bench.column("sensors", "removed")
    new_installed, new_removed = swapped(installed), last_moment(swapped(removed))
    begins = (early >= _FEWEST) & (whole_day(new_installed) <= first) & (first - new_installed < _NEAR)
    begins &= ~(removed < new_installed)
    ends = (late >= _FEWEST) & (new_removed >= last) & (new_removed - last < _NEAR)
    used = bench.used["sensors"]
    odd_start, odd_end = (used & (many >= _FEWEST) & (2 * many > total) for many in (early, late))
    return [
        _swap("installed", where(used & begins), new_installed),
        _swap("removed", where(used & ends), whole_day(new_removed)),
        Batch("installed after its calibrations", "sensors", "installed", DOUBTED, where(odd_start & ~begins),
              "most of its calibrations come before this date; mend it, and they can be used"),
        Batch("removed before its calibrations", "sensors", "removed", DOUBTED, where(odd_end & ~ends),
              "most of its calibrations come after this date; mend it, and they can be used"),
    ]  # fmt: skip


def _swap(name: str, at: IntArray, new: Array) -> Batch:
    reasons = [f"its calibrations only fit with day and month exchanged ({shown(day)[:10]})" for day in new[at]]
    return Batch("day and month swapped", "sensors", name, CORRECTED, at, reasons=reasons, changes={name: new[at]})


def _calibrated(bench: Bench) -> tuple[Array, Array, Array, Array, Array]:
    """For each sensor: first and last calibration, how many come before its installation, after its removal, and in all."""
    rows = where(bench.used["calibrations"] & (bench.sensor_of() >= 0))
    sensor, time, count = bench.sensor_of()[rows], bench.integers("time")[rows], len(bench.tables["sensors"])
    first, last = np.full(count, np.iinfo(np.int64).max), np.full(count, np.iinfo(np.int64).min)
    np.minimum.at(first, sensor, time)
    np.maximum.at(last, sensor, time)
    installed = whole_day(bench.column("sensors", "installed")).view(np.int64)
    removed = last_moment(bench.column("sensors", "removed")).astype("datetime64[us]")
    gone = np.where(np.isnat(removed), np.iinfo(np.int64).max, removed.view(np.int64))
    early = np.bincount(sensor[time < installed[sensor]], minlength=count)
    late = np.bincount(sensor[time > gone[sensor]], minlength=count)
    return first.view("datetime64[us]"), last.view("datetime64[us]"), early, late, np.bincount(sensor, minlength=count)
