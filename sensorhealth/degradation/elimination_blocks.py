"""Columns that never meet each other through a sensor need not be solved together: connected components of the records.

A block is a node of the elimination tree, a unit a run of a leaf's sensors small enough for the cache.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from sensorhealth.degradation.elimination_pairs import Layers
from sensorhealth.degradation.reml_data import CrossedData, FloatArray, IntArray, Places, Where

UNIT_CELLS = 64_000  # sensors x columns of a dense unit
SPARSE_SENSORS = 200_000  # sensors of a sparse unit
SAMPLE = 16  # sensors of a leaf from which it is seen how many columns each meets
DENSE_CELL = 1.8e-10  # seconds per sensor and squared column of a dense unit, and what a sparse one takes per squared
SPARSE_PAIR = 6e-9  # number of pairs of a sensor; measured on one core, only their ratio matters
SPARSE_LOOP = 8e-6  # and per pair of layers, however few the sensors


@dataclass(frozen=True)
class Unit:
    """Sensors of one block, and the entries (reading, column, value) of their readings."""

    block: int
    sensors: Where
    readings: Where
    sensor: Places  # (readings,) local sensor of each reading
    sensor_count: int
    entry: Places | None  # (M,) local reading of each entry; None where every reading has exactly one
    column: Places  # (M,) local column
    value: FloatArray | None  # (M,), None = 1
    pair: Places  # (M,) cell sensor * columns + column (dense), or position in the layers (sparse)
    layers: Layers | None  # None: dense


@dataclass(frozen=True)
class Block:
    """A node of the elimination tree with the units whose sensors it holds (leaves only)."""

    columns: IntArray  # global columns: the block's own, then those of its ancestors that it meets
    own: int  # number of its own
    parent: int  # -1 none
    into: IntArray  # places of the ancestors' columns among the parent's columns
    units: tuple[int, ...]


def stacked_columns(data: CrossedData) -> tuple[IntArray, FloatArray | None, IntArray]:
    """Global column (N, K) that each reading touches in each class, -1 none; coefficients with scales; class bounds."""
    first = np.concatenate(([0], np.cumsum([c.size for c in data.classes]))).astype(np.int64)
    n = len(data.y)
    if len(data.classes) == 1:
        columns = np.asarray(data.classes[0].index).reshape(n, 1)
    else:
        columns = np.empty((n, len(data.classes)), dtype=np.int64)
        for k, c in enumerate(data.classes):
            columns[:, k] = np.where(c.index >= 0, c.index + first[k], -1)
    if all(c.value is None and c.scale is None for c in data.classes):
        return columns, None, first
    values = np.ones((n, len(data.classes)))
    for k, c in enumerate(data.classes):
        if c.value is not None:
            values[:, k] = c.value
        if c.scale is not None and c.size:
            values[:, k] *= c.scale[c.index]
    return columns, values, first


def column_components(columns: IntArray, offsets: IntArray, total: int) -> IntArray:
    """Component label (C,) of every column: joined where a sensor touches both. Labels rise with the first column."""
    labels = np.arange(total)
    if total < 2:
        return labels
    step = max(1, (len(offsets) - 1) // 5_000)  # a sample of sensors joins most columns; what is left is then few
    while True:
        left, right = _chain(labels, columns, offsets, step)
        if len(left):
            graph = sparse.coo_array((np.ones(len(left), dtype=np.int8), (left, right)), shape=(total, total))
            labels = connected_components(graph, directed=False)[1].astype(np.int64)[labels]
        elif step == 1:
            break
        step = 1
    _, first = np.unique(labels, return_index=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[np.unique(labels, return_inverse=True)[1]]


def _chain(labels: IntArray, columns: IntArray, offsets: IntArray, step: int) -> tuple[IntArray, IntArray]:
    """Label pairs that stand next to each other in a sensor's list of entries but differ, of every step-th sensor."""
    count = np.diff(offsets)[::step]
    if step > 1:
        begin = np.repeat(offsets[:-1][::step] - (np.cumsum(count) - count), count)
        columns = columns[begin + np.arange(len(begin))]
    flat, width = columns.ravel(), columns.shape[1]
    ends = np.cumsum(count)[:-1] * width
    if flat.size and flat.min() < 0:
        real = flat >= 0
        ends = np.concatenate(([0], np.cumsum(real)))[ends]
        flat = flat[real]
    met = labels[flat]
    differs = met[1:] != met[:-1]
    differs[ends[(ends > 0) & (ends < len(flat))] - 1] = False  # two sensors' entries meet there
    apart = np.flatnonzero(differs)
    return met[apart], met[apart + 1]
