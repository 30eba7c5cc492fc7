"""Sensors whose records begin late, or not at all."""

from __future__ import annotations

import numpy as np

from ..bench import KEPT, Batch, Bench
from ._tools import where

ORDER = 94
FINDINGS = {
    "records begin late": "a sensor in service for more than a year before its first calibration in the records",
    "no calibrations": "a sensor without any calibration that can be used",
}
_YEAR = np.timedelta64(366, "D")


def check(bench: Bench) -> list[Batch]:
    """Kept: what happened before the records began is not known, and sensors that ended then are not in them."""
    rows = where(bench.used["calibrations"] & (bench.sensor_of() >= 0))
    first = np.full(len(bench.tables["sensors"]), np.iinfo(np.int64).max)
    time = bench.column("calibrations", "time")[rows].astype("datetime64[us]").astype(np.int64)
    np.minimum.at(first, bench.sensor_of()[rows], time)
    none = first == np.iinfo(np.int64).max
    begun = np.where(none, np.datetime64("NaT"), first.view("datetime64[us]")).astype("datetime64[us]")
    late = begun - bench.column("sensors", "installed") > _YEAR
    used = bench.used["sensors"]
    return [
        Batch("records begin late", "sensors", "installed", KEPT, where(used & late), together=True,
              reason="in service for more than a year before the first calibration in the records: entered late"),
        Batch("no calibrations", "sensors", "sensor_id", KEPT, where(used & none), together=True,
              reason="has no calibration that can be used: only its kind speaks for it"),
    ]  # fmt: skip
