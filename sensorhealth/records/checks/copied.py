"""Rows that were filled in by copying."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, Array, Batch, Bench
from ..raw import IntArray
from ._tools import crowded, row_keys, where

ORDER = 86
FINDINGS = {
    "copied values": "the same fine measurements on many different sensors",
    "one time for many": "many sensors of a site calibrated at the same second",
}
_SENSORS = 5
_AT_ONCE = 20


def check(bench: Bench) -> list[Batch]:
    """Doubted: numbers that agree to the last digit on five sensors or more, and times that twenty share, were typed
    in later.
    """
    names = ["zero_offset", "as_found", "span_gain", "headroom", "response_seconds"]
    stated = np.zeros(len(bench.tables["calibrations"]), dtype=np.int8)
    fine = np.zeros(len(stated), dtype=bool)
    for name in names:
        values = bench.column("calibrations", name)
        stated += np.isfinite(values).astype(np.int8)
        fine |= np.isfinite(values) & (values != np.round(values, 1))
    rows = where(bench.used["calibrations"] & (stated >= 3) & fine)
    copied = _shared(row_keys(bench, "calibrations", ["applied", *names], rows), bench.sensor_of()[rows], _SENSORS)
    time = bench.integers("time")
    timed = where(bench.used["calibrations"] & (time % 86_400_000_000 != 0))
    site = np.append(bench.codes("sensors", "site")[0], -1)[bench.sensor_of()[timed]]
    at_once = _shared(time[timed] * 4096 + site, bench.sensor_of()[timed], _AT_ONCE)
    return [
        Batch("copied values", "calibrations", "headroom", DOUBTED, rows[copied], together=True,
              reason="five or more sensors with the same numbers to the last digit: copied or filled in later?"),
        Batch("one time for many", "calibrations", "time", DOUBTED, timed[at_once], together=True,
              reason="twenty or more sensors of a site at the same second: times were filled in later; their order is not known"),
    ]  # fmt: skip


def _shared(key: Array, sensor: IntArray, fewest: int) -> Array:
    """Rows whose key at least `fewest` different sensors have."""
    result = np.zeros(len(key), dtype=bool)
    few = np.flatnonzero(crowded(key, fewest))
    order = few[np.lexsort((sensor[few], key[few]))]
    if not len(order):
        return result
    ordered, owner = key[order], sensor[order]
    group = np.cumsum(np.append(True, ordered[1:] != ordered[:-1])) - 1
    another = np.append(True, (ordered[1:] != ordered[:-1]) | (owner[1:] != owner[:-1]))
    result[order] = (np.bincount(group, weights=another) >= fewest)[group]
    return result
