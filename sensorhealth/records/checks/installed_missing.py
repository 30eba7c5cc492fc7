"""Sensors of which no date of installation is recorded."""

from __future__ import annotations

import numpy as np

from ..bench import CORRECTED, Array, Batch, Bench
from ._tools import where
from .clock import near_a_start

ORDER = 5
FINDINGS = {"installed missing": "no date of installation: age counts from the making of the sensor, or its first calibration"}


def check(bench: Bench) -> list[Batch]:
    """Filled in with the date of manufacture, else the first calibration; without either the row is set aside later."""
    unread = bench.unreadable.get("sensors", {}).get("installed")
    missing = ~bench.stated("sensors", "installed")
    if unread is not None:
        missing[unread.bad] = False
    if not missing.any():
        return []
    made, first = bench.column("sensors", "manufactured"), _first_calibration(bench)
    new = np.where(np.isnat(made) | (made > first), first, made)
    at = where(missing & ~np.isnat(new))
    if len(at):
        bench.notes.append(
            f"the installation of {len(at)} sensors is not recorded: their age counts from manufacture, else from the first "
            "calibration, and is then too low for a sensor that was in service before"
        )
    said = {True: "the sensor was made then", False: "its first calibration; state the date if the sensor is older"}
    return [
        Batch("installed missing", "sensors", "installed", CORRECTED, at, changes={"installed": new[at]},
              reasons=[f"not recorded; taken as {str(day)[:10]}: {said[bool(day == stated)]}"
                       for day, stated in zip(new[at], made[at], strict=True)])
    ]  # fmt: skip


def _first_calibration(bench: Bench) -> Array:
    """(n sensors,) time of the first calibration that a reset clock does not explain; NaT for none."""
    time, sensor = bench.column("calibrations", "time"), bench.sensor_of()
    told = ~np.isnat(time) & (sensor >= 0) & ~near_a_start(time)
    first = np.full(len(bench.tables["sensors"]), np.iinfo(np.int64).max)
    np.minimum.at(first, sensor[told], time[told].astype("datetime64[us]").view(np.int64))
    none = first == np.iinfo(np.int64).max
    return np.where(none, np.datetime64("NaT"), first.view("datetime64[us]")).astype("datetime64[us]")
