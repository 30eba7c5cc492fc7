"""Which cells of T'R^-1T each pair of readings of one sensor touches: needed where the noise wanders."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.brownian import Clock, reading_pairs
from sensorhealth.degradation.elimination_blocks import Unit
from sensorhealth.degradation.reml_data import FloatArray, IntArray, Where

HELD_PAIRS = 500_000  # pairs of readings worked on at once


@dataclass(frozen=True)
class TimePairs:
    """Entries of pairs of readings: position of the pair of readings, cell of the block's matrix, product of values."""

    which: IntArray
    key: IntArray
    product: FloatArray


def unit_time_pairs(clock: Clock, unit: Unit, width: int) -> Iterator[tuple[Where, TimePairs]]:
    """A unit's sensors, some at a time, with their pairs."""
    if width == 0:
        return
    size = len(unit.sensor)
    entry = np.arange(size) if unit.entry is None else unit.entry
    bounds = np.searchsorted(entry, np.arange(size + 1))
    value = np.ones(len(unit.column)) if unit.value is None else unit.value
    reach = np.searchsorted(unit.sensor, np.arange(unit.sensor_count + 1))
    load = np.cumsum(np.diff(reach) * (np.diff(reach) + 1) // 2)
    group = load // HELD_PAIRS
    edges = np.concatenate(([0], np.flatnonzero(np.diff(group)) + 1, [unit.sensor_count]))
    for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        sensors: Where
        if isinstance(unit.sensors, slice):
            sensors = slice(unit.sensors.start + begin, unit.sensors.start + end)
        else:
            sensors = unit.sensors[begin:end]
        first, second = reading_pairs(clock, sensors)
        yield sensors, _entries(bounds, first + reach[begin], second + reach[begin], unit, value, width)


def _entries(bounds: IntArray, first: IntArray, second: IntArray, unit: Unit, value: FloatArray, width: int) -> TimePairs:
    """All entries of the first reading with all of the second."""
    most = int(np.diff(bounds).max(initial=0))
    which, key, product = [], [], []
    for i in range(most):
        for j in range(most):
            a, b = bounds[first] + i, bounds[second] + j
            here = np.flatnonzero((a < bounds[first + 1]) & (b < bounds[second + 1]))
            a, b = a[here], b[here]
            which.append(here)
            key.append(unit.column[a].astype(np.int64) * width + unit.column[b])
            product.append(value[a] * value[b])
    if not which:
        return TimePairs(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))
    return TimePairs(np.concatenate(which), np.concatenate(key), np.concatenate(product))
