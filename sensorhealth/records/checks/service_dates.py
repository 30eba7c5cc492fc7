"""Dates of the sensors and cylinders that contradict each other."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, SET_ASIDE, Batch, Bench
from ._tools import where, whole_day

ORDER = 22
FINDINGS = {
    "removed before installed": "a sensor whose removal comes before its installation",
    "made after installed": "a sensor made after it was installed",
    "warranty before installed": "a warranty that ends before the sensor was installed",
    "opened after expiry": "a cylinder opened after its certified period",
}


def check(bench: Bench) -> list[Batch]:
    """A removal before installation makes the row unusable; other contradictions are doubted and the doubtful date
    blanked."""
    installed = bench.column("sensors", "installed")
    removed = bench.column("sensors", "removed")
    made = bench.column("sensors", "manufactured")
    warranty = bench.column("sensors", "warranty_end")
    opened, expires = bench.column("cylinders", "opened"), bench.column("cylinders", "expires")
    early = where(removed < whole_day(installed))
    late = where(made > installed + np.timedelta64(1, "D"))
    short = where(warranty < whole_day(installed))
    stale = where(whole_day(opened) > whole_day(expires))
    return [
        Batch("removed before installed", "sensors", "removed", SET_ASIDE, early,
              "removed before it was installed; mend one of the dates"),
        Batch("made after installed", "sensors", "manufactured", DOUBTED, late,
              "made after it was installed; the date of manufacture is not used",
              changes={"manufactured": np.full(len(late), np.datetime64("NaT"))}),
        Batch("warranty before installed", "sensors", "warranty_end", DOUBTED, short,
              "the warranty ends before the sensor was installed; check the date before claiming"),
        Batch("opened after expiry", "cylinders", "opened", DOUBTED, stale,
              "opened after its certified period; check both dates on the cylinder"),
    ]  # fmt: skip
