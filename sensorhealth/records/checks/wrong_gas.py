"""Calibrations on a gas that is not the sensor's."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, KEPT, SET_ASIDE, Array, Batch, Bench
from ._tools import where

ORDER = 62
FINDINGS = {
    "gas not the sensor's": "a calibration on a cylinder that does not hold the sensor's gas",
    "gas contradicted": "a sensor all of whose calibrations are on another gas than its row in the table of sensors says",
    "surrogate gas": "a sensor that is always calibrated on another gas than its own",
}
_HABIT = 0.5
_FEWEST = 3


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
        *_contradicted(bench, told, wrong & ~habit),
        Batch("gas not the sensor's", "calibrations", "cylinder_id", SET_ASIDE, aside,
              reasons=[f"the cylinder does not hold {names[gas[row]]}; mend the cylinder or the sensor" for row in
              aside]),
        Batch("surrogate gas", "calibrations", "cylinder_id", KEPT, kept, by="sensor_id",
              reason="calibrated on another gas: headroom there does not show the response to the sensor's own gas"),
    ]  # fmt: skip


def _contradicted(bench: Bench, told: Array, wrong: Array) -> list[Batch]:
    """Sensors of which each of three calibrations or more is on another gas: their own row is the likelier slip."""
    count = len(bench.tables["sensors"])
    all_told, all_wrong = (np.bincount(bench.sensor_of()[rows], minlength=count) for rows in (told, wrong))
    at = where((all_wrong >= _FEWEST) & (all_wrong == all_told))
    gas_of, ids = bench.column("cylinders", "gas"), bench.column("cylinders", "cylinder_id")
    reasons = []
    for sensor in at:
        used = np.unique(bench.column("calibrations", "cylinder_id")[wrong & (bench.sensor_of() == sensor)].astype(str))
        held = ", ".join(sorted(set(gas_of[np.isin(ids.astype(str), used)].astype(str))))
        reasons.append(f"all its {all_wrong[sensor]} calibrations are on cylinders of {held}; mend this cell")
    return [Batch("gas contradicted", "sensors", "gas", DOUBTED, at, reasons=reasons)]
