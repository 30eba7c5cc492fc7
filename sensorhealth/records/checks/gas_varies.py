"""Calibrations that state another gas than their sensor's."""

from __future__ import annotations

import numpy as np

from ..bench import SET_ASIDE, Batch, Bench
from ._tools import where

ORDER = 32
FINDINGS = {"gas not the sensor's": "a calibration on a gas that is not its sensor's"}


def check(bench: Bench) -> list[Batch]:
    """Set aside. Only a fleet without a table of sensors has a column of gases in its calibrations."""
    if "gas" not in bench.tables["calibrations"]:
        return []
    stated, named = bench.column("calibrations", "gas"), bench.of_sensor("gas")
    at = where(bench.used["calibrations"] & (stated != "") & (named != "") & (stated != named))
    reasons = [f"the other calibrations of this sensor are for {gas}" for gas in np.asarray(named)[at]]
    return [Batch("gas not the sensor's", "calibrations", "gas", SET_ASIDE, at, reasons=reasons)]
