"""Calibrations that do not say which concentration was applied."""

from __future__ import annotations

import numpy as np

from ..bench import CORRECTED, KEPT, Batch, Bench
from ._tools import where

ORDER = 64
FINDINGS = {
    "applied missing": "the applied concentration is not recorded and is taken from the cylinder's label",
    "ambient span": "an oxygen sensor spanned without a cylinder, in ambient air",
}
AMBIENT_OXYGEN = 20.9
"""%vol of oxygen in ambient air as instruments are set to it (dry air holds 20.95; humid air less)."""


def check(bench: Bench) -> list[Batch]:
    """Filled in where the cylinder's label says it, or where an oxygen sensor in %vol was spanned without a
    cylinder."""
    used = bench.used["calibrations"] & ~bench.is_word("calibrations", "kind", "zero")
    missing = used & ~bench.stated("calibrations", "applied")
    label = np.append(bench.column("cylinders", "concentration"), np.nan)[bench.label_of()]
    oxygen = np.append(bench.is_word("sensors", "gas", "O2") & bench.is_word("sensors", "unit", "%vol"), False)
    in_air = used & oxygen[bench.sensor_of()] & ~bench.stated("calibrations", "cylinder_id")
    by_label, by_air = where(missing & np.isfinite(label)), where(missing & in_air)
    stated_air = in_air & ~missing & (np.abs(bench.column("calibrations", "applied") - AMBIENT_OXYGEN) < 0.5)
    why = "spanned in ambient air: humidity, altitude and other gases there change what the sensor sees"
    return [
        Batch("applied missing", "calibrations", "applied", CORRECTED, by_label, otherwise=KEPT, by="cylinder_id",
              changes={"applied": label[by_label]}, reason="not recorded; taken from the cylinder's label"),
        Batch("ambient span", "calibrations", "applied", CORRECTED, by_air, otherwise=KEPT, by="sensor_id",
              changes={"applied": np.full(len(by_air), AMBIENT_OXYGEN)},
              reason=f"not recorded, taken as 20.9 %vol: {why}"),
        Batch("ambient span", "calibrations", "applied", KEPT, where(stated_air), reason=why, together=True),
    ]  # fmt: skip
