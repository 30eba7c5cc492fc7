"""Calibrations outside the time their sensor was in service."""

from __future__ import annotations

from ..bench import SET_ASIDE, Batch, Bench, shown
from ._tools import last_moment, where, whole_day

ORDER = 52
FINDINGS = {
    "before installation": "a calibration before its sensor was installed",
    "after removal": "a calibration after its sensor was removed",
}


def check(bench: Bench) -> list[Batch]:
    """Set aside, by whole days where a date is stated without a time: clocks and the order of a day's work are not
    that exact."""
    time = bench.column("calibrations", "time")
    installed, removed = bench.of_sensor("installed"), bench.of_sensor("removed")
    early = where(time < whole_day(installed))
    late = where(time > last_moment(removed))
    return [
        Batch("before installation", "calibrations", "time", SET_ASIDE, early,
              reasons=[f"installed on {shown(day)[:10]} only; mend one of the dates" for day in installed[early]]),
        Batch("after removal", "calibrations", "time", SET_ASIDE, late,
              reasons=[f"removed on {shown(day)[:10]} already; mend one of the dates" for day in removed[late]]),
    ]  # fmt: skip
