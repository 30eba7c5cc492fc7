"""Rows that were filled in by copying."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, Batch, Bench
from ._tools import row_keys, where

ORDER = 86
FINDINGS = {
    "copied values": "the same fine measurements on many different sensors",
    "one time for many": "many sensors calibrated at the same second",
}
_SENSORS = 5
_AT_ONCE = 20


def check(bench: Bench) -> list[Batch]:
    """Doubted: numbers that agree to the last digit on five sensors or more, and times that twenty share, were typed
    in later.
    """
    names = ["applied", "zero_offset", "as_found", "span_gain", "headroom", "response_seconds"]
    stated = np.zeros(len(bench.tables["calibrations"]), dtype=np.int8)
    fine = np.zeros(len(stated), dtype=bool)
    for name in names[1:]:
        values = bench.column("calibrations", name)
        stated += np.isfinite(values).astype(np.int8)
        fine |= np.isfinite(values) & (values != np.round(values, 1))
    rows = where(bench.used["calibrations"] & (stated >= 3) & fine)
    copied = _shared(row_keys(bench, "calibrations", names)[rows], bench.sensor_of()[rows], _SENSORS)
    timed = where(bench.used["calibrations"])
    time = bench.column("calibrations", "time")[timed].astype("datetime64[us]").astype(np.int64)
    whole_days = time % 86_400_000_000 == 0
    at_once = _shared(time, bench.sensor_of()[timed], _AT_ONCE) & ~whole_days
    return [
        Batch("copied values", "calibrations", "headroom", DOUBTED, rows[copied], together=True,
              reason="five or more sensors with the same numbers to the last digit: copied or filled in later?"),
        Batch("one time for many", "calibrations", "time", DOUBTED, timed[at_once], together=True,
              reason="twenty or more sensors at the same second: times were filled in later; their order is not known"),
    ]  # fmt: skip


def _shared(key: np.ndarray, sensor: np.ndarray, fewest: int) -> np.ndarray:
    """Rows whose key at least `fewest` different sensors have."""
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    new = np.append(True, ordered[1:] != ordered[:-1]) if len(key) else np.empty(0, bool)
    group = np.cumsum(new) - 1
    large = np.bincount(group, minlength=1)[group] >= fewest if len(key) else np.empty(0, bool)
    result = np.zeros(len(key), dtype=bool)
    if not large.any():
        return result
    members, owners = group[large], sensor[order][large]
    pairs = np.unique(np.stack([members, owners]), axis=1)
    enough = np.flatnonzero(np.bincount(pairs[0]) >= fewest)
    result[order[large]] = np.isin(members, enough)
    return result
