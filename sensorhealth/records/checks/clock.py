"""Times from a clock that was reset."""

from __future__ import annotations

import numpy as np

from ..bench import SET_ASIDE, Array, Batch, Bench
from ._tools import where, whole_day

ORDER = 38
FINDINGS = {
    "clock reset": "a time at the start of a clock's count, before the sensor was installed",
}
_STARTS = np.array(["1900-01-01", "1970-01-01", "1980-01-01", "1980-01-06", "1990-01-01", "1999-12-31", "2000-01-01",
                    "2001-01-01", "2005-01-01", "2010-01-01"], dtype="datetime64[us]")  # fmt: skip
"""Where clocks of instruments and computers begin to count (common practice, no source)."""


def check(bench: Bench) -> list[Batch]:
    """Set aside: what the time should be cannot be told from the records."""
    time = bench.column("calibrations", "time")
    used = bench.used["calibrations"]
    reset = used & (time < whole_day(bench.of_sensor("installed"))) & near_a_start(time)
    return [
        Batch("clock reset", "calibrations", "time", SET_ASIDE, where(reset),
              "a clock that was reset counts from here; set the instrument's clock, and mend the time if it is known"),
    ]  # fmt: skip


def near_a_start(time: Array) -> Array:
    """Whether each time is within three days of where some clock begins to count."""
    near = np.zeros(len(time), dtype=bool)
    for start in _STARTS:
        near |= (time >= start) & (time < start + np.timedelta64(3, "D"))
    return near
