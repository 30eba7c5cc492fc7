"""Calibrations with a cylinder that the table of cylinders does not have."""

from __future__ import annotations

from ..bench import CORRECTED, KEPT, Batch, Bench
from ._tools import where
from .unknown_sensor import only_meant

ORDER = 60
FINDINGS = {
    "unknown cylinder": "a calibration with a cylinder that is not in the table of cylinders",
    "id written otherwise": "an id that differs from a known one only in capitals, spaces, hyphens or leading zeros",
}


def check(bench: Bench) -> list[Batch]:
    """The row is used: the cylinder's effect can be estimated without its label, only label and expiry cannot be
    checked.
    """
    if not bench.used["cylinders"].any():
        return []
    unknown = bench.used["calibrations"] & bench.stated("calibrations", "cylinder_id") & ~bench.cylinder_known()
    if not unknown.any():
        return []
    codes, ids = bench.codes("calibrations", "cylinder_id")
    known = bench.column("cylinders", "cylinder_id")[bench.used["cylinders"]]
    target = only_meant(ids, known)[codes]
    mendable = where(unknown & (target != ""))
    return [
        Batch("id written otherwise", "calibrations", "cylinder_id", CORRECTED, mendable, otherwise=KEPT,
              changes={"cylinder_id": target[mendable]},
              reasons=[f"only {name!r} is written the same but for capitals, spaces, hyphens and leading zeros"
                       for name in target[mendable]]),
        Batch("unknown cylinder", "calibrations", "cylinder_id", KEPT, where(unknown & (target == "")),
              by="cylinder_id",
              reason="is not in the table of cylinders: label and expiry cannot be checked; add the cylinder"),
    ]  # fmt: skip
