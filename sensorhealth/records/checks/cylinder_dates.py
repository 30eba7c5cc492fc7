"""Calibrations on gas past its date, or from a cylinder before it was opened."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, KEPT, Batch, Bench, shown
from ._tools import last_moment, where, whole_day

ORDER = 80
FINDINGS = {
    "expired gas": "a calibration on gas past the last day of its certified period",
    "before opening": "a calibration from a cylinder before the day it was opened",
}


def check(bench: Bench) -> list[Batch]:
    """Kept, counted by cylinder: expired gas may still be good, and the model sees whether it is."""
    label, time = bench.label_of(), bench.column("calibrations", "time")
    nothing = np.array(["NaT"], dtype="datetime64[us]")
    expires = np.append(bench.column("cylinders", "expires"), nothing)[label]
    opened = np.append(bench.column("cylinders", "opened"), nothing)[label]
    used = bench.used["calibrations"] & ~bench.is_word("calibrations", "kind", "zero")
    late, early = where(used & (time > last_moment(expires))), where(used & (time < whole_day(opened)))
    return [
        Batch("expired gas", "calibrations", "cylinder_id", KEPT, late, by="cylinder_id",
              reasons=[f"expired on {shown(day)[:10]}: take the cylinder out of use" for day in expires[late]]),
        Batch("before opening", "calibrations", "cylinder_id", DOUBTED, early, by="cylinder_id",
              reasons=[f"opened on {shown(day)[:10]} only: check the cylinder and the dates" for day in opened[early]]),
    ]  # fmt: skip
