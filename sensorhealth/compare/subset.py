"""Parts of the kernel's arrays: only some readings, only some sensors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation.reml_data import CrossedClass, CrossedData

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

MOST_ENTRIES = 5_000_000
"""Readings times columns up to which a comparison uses all sensors; beyond, a random part of every group."""
LEAST_SENSORS = 12
"""Sensors of every group that are used in any case."""
MANY_COLUMNS = 1000
FEWEST_MET = 5


def known_by(data: CrossedData, known: BoolArray) -> CrossedData:
    """The arrays with only the readings that are `known` (N,); sensors keep their places, some may then be empty.

    Readings behind the first N (what stands in for censored ones) are left out.
    """
    keep = np.flatnonzero(known)
    offsets = np.concatenate([[0], np.cumsum(known)])[np.minimum(data.offsets, known.size)]
    return replace(
        data,
        y=data.y[keep],
        x=data.x[keep],
        g=data.g[keep],
        offsets=offsets.astype(np.int64),
        weights=None if data.weights is None else data.weights[keep],
        classes=tuple(_only(item, keep) for item in data.classes),
    )


def _only(item: CrossedClass, keep: IntArray) -> CrossedClass:
    """One class on some readings, without the columns that none of them touches."""
    index = item.index[keep]
    used, place = np.unique(index[index >= 0], return_inverse=True)
    new = np.full(index.size, -1, dtype=np.int64)
    new[index >= 0] = place
    return replace(
        item,
        index=new,
        value=None if item.value is None else item.value[keep],
        size=used.size,
        scale=None if item.scale is None else item.scale[used],
    )


def draw_sensors(data: CrossedData, group: IntArray, columns: int, rng: np.random.Generator) -> BoolArray:
    """Which sensors (n,) a comparison with `columns` columns uses: all, or at most an equal number from each group.

    group: (n,) codes, -1 none. Sensors without readings count as used.
    """
    count = np.diff(data.offsets)[: group.size]
    total = int(count.sum())
    most = MOST_ENTRIES // max(columns, 1)
    if total <= most:
        return np.ones(group.size, bool)
    quota = max(LEAST_SENSORS, int(most / max(total / max((count > 0).sum(), 1), 1.0) / max(np.unique(group).size, 1)))
    order = np.lexsort((rng.random(group.size), count == 0, group))
    rank = np.empty(group.size, np.int64)
    start = np.searchsorted(group[order], group[order])
    rank[order] = np.arange(group.size) - start
    return (rank < quota) | (count == 0)


def only_sensors(data: CrossedData, chosen: BoolArray) -> CrossedData:
    """The arrays of the chosen sensors (n,) alone, without the columns of very large classes that few readings touch.

    In a drawn part of a very large kind most cylinders are met by a handful of readings, whose common error is then as
    good as noise; left in, they cost more than all else.
    """
    part = known_by(data, np.repeat(chosen, np.diff(data.offsets)[: chosen.size]))
    kept = np.flatnonzero(chosen)
    offsets = np.append(part.offsets[kept], part.offsets[-1])
    return replace(part, offsets=offsets, classes=tuple(_without_rare(item) for item in part.classes))


def _without_rare(item: CrossedClass) -> CrossedClass:
    if item.size <= MANY_COLUMNS:
        return item
    count = np.bincount(item.index[item.index >= 0], minlength=item.size)
    index = np.where((item.index >= 0) & (count[item.index] >= FEWEST_MET), item.index, -1)
    return _only(replace(item, index=index), np.arange(index.size))
