"""Order of the calibrations, and the numbering of retries."""

from __future__ import annotations

from typing import Any

import numpy as np

from .bench import Array, Bench
from .raw import IntArray

RETRY_SECONDS = 3600.0
"""A calibration of the same kind within an hour of a failed or aborted one of the same sensor is its retry (common
practice, no source)."""


def attempts(bench: Bench) -> tuple[IntArray, Array]:
    """Positions of the calibrations in use, sorted by sensor_id, time and row, and the attempt number of each (1 =
    first)."""
    used = np.flatnonzero(bench.used["calibrations"])
    codes, ids = bench.codes("calibrations", "sensor_id")
    rank = np.argsort(np.argsort(ids.astype(str))) if len(ids) else np.empty(0, np.int64)
    sensor = rank[codes[used]] if len(used) else np.empty(0, np.int64)
    time = bench.column("calibrations", "time")[used].astype("datetime64[us]").astype(np.int64)
    order = sorted_order(sensor, time)
    position, sensor, time = used[order], sensor[order], time[order]
    return position, _numbered(bench, position, sensor, time)


def sorted_order(first: Array, second: Array) -> IntArray:
    """Stable order by `first`, then `second`; cheap where they are in order already."""
    same = first[1:] == first[:-1]
    if bool(np.all((first[1:] > first[:-1]) | (same & (second[1:] >= second[:-1])))):
        return np.arange(len(first), dtype=np.int64)
    order: Any = np.lexsort((second, first))
    return np.asarray(order, dtype=np.int64)


def _numbered(bench: Bench, position: IntArray, sensor: Array, time: Array) -> Array:
    number = np.ones(len(position), dtype=np.int32)
    if len(position) < 2:
        return number
    kind = bench.codes("calibrations", "kind")[0][position]
    unsuccessful = bench.is_word("calibrations", "outcome", "fail", "aborted")[position]
    close = (sensor[1:] == sensor[:-1]) & (time[1:] - time[:-1] <= RETRY_SECONDS * 1e6)
    retry = np.append(False, close & unsuccessful[:-1] & (kind[1:] == kind[:-1]))
    index = np.arange(len(position))
    start = np.maximum.accumulate(np.where(retry, 0, index))
    return (index - start + 1).astype(np.int32)
