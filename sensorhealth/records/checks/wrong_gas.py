"""Calibrations on a gas that is not the sensor's."""

from __future__ import annotations

import numpy as np

from ..bench import KEPT, SET_ASIDE, Batch, Bench
from ._tools import where

ORDER = 62
FINDINGS = {
    "gas not the sensor's": "a calibration on a cylinder that does not hold the sensor's gas",
    "surrogate gas": "a sensor that is always calibrated on another gas than its own",
}
_HABIT = 0.5


def check(bench: Bench) -> list[Batch]:
    """Set aside where it is the exception for sensors of that gas; kept, as a surrogate, where it is the rule.

    Headroom on a surrogate gas does not show the response to the sensor's own gas; the finding says so.
    """
    used = bench.used["calibrations"] & (bench.sensor_of() >= 0) & ~bench.is_word("calibrations", "kind", "zero")
    told = used & bench.cylinder_known()
    wrong = told & (bench.label_of() < 0)
    if not wrong.any():
        return []
    codes, names = bench.codes("sensors", "gas")
    gas = np.append(codes, -1)[bench.sensor_of()]
    counts = np.bincount(gas[told], minlength=len(names)), np.bincount(gas[wrong], minlength=len(names))
    habit = np.append(counts[1] > _HABIT * counts[0], False)[gas]
    aside, kept = where(wrong & ~habit), where(wrong & habit)
    return [
        Batch("gas not the sensor's", "calibrations", "cylinder_id", SET_ASIDE, aside,
              reasons=[f"the cylinder does not hold {names[gas[row]]}; mend the cylinder or the sensor" for row in
              aside]),
        Batch("surrogate gas", "calibrations", "cylinder_id", KEPT, kept, by="sensor_id",
              reason="calibrated on another gas: headroom there does not show the response to the sensor's own gas"),
    ]  # fmt: skip
