"""Cuts the readings into blocks and units."""

from __future__ import annotations

import itertools

import numpy as np

from sensorhealth.degradation.elimination_blocks import (
    DENSE_CELL,
    SPARSE_LOOP,
    SPARSE_PAIR,
    SPARSE_SENSORS,
    UNIT_CELLS,
    Block,
    Unit,
    merge_small,
    sensor_components,
)
from sensorhealth.degradation.elimination_pairs import DensePairs, Layers, NoPairs, Pairs, SparsePairs
from sensorhealth.degradation.reml_data import FloatArray, IntArray, Places, Where

NOTHING = np.empty(0, dtype=np.int64)


def cut(
    columns: IntArray, values: FloatArray | None, offsets: IntArray, labels: IntArray
) -> tuple[list[Block], list[Unit], IntArray, IntArray]:
    """Blocks, units, block of every column and its place in the block, from component labels (C,)."""
    of_sensor = sensor_components(columns, offsets, labels)
    block_of_component = merge_small(labels)
    block_of_column = block_of_component[labels] if len(labels) else NOTHING
    count = int(block_of_component.max()) + 1 if len(block_of_component) else 0
    order = np.argsort(block_of_column, kind="stable")
    bounds = np.searchsorted(block_of_column[order], np.arange(count + 1))
    local = np.empty(len(labels), dtype=np.int64)
    local[order] = np.arange(len(labels)) - bounds[block_of_column[order]] if len(labels) else NOTHING
    # sensors without columns join the block number `count`, which has none
    block_of_sensor = np.where(of_sensor >= 0, block_of_component[of_sensor] if count else -1, count)
    by_block = None if np.all(np.diff(block_of_sensor) >= 0) else np.argsort(block_of_sensor, kind="stable")
    sorted_blocks = block_of_sensor if by_block is None else block_of_sensor[by_block]
    edges = np.searchsorted(sorted_blocks, np.arange(count + 2))
    blocks: list[Block] = []
    units: list[Unit] = []
    for b in range(count + 1):
        own = order[bounds[b] : bounds[b + 1]] if b < count else NOTHING
        mine = _units(b, edges[b], edges[b + 1], by_block, columns, values, offsets, local, len(own))
        blocks.append(Block(own, tuple(range(len(units), len(units) + len(mine)))))
        units += mine
    return blocks, units, block_of_column, local


def _units(
    block: int,
    begin: int,
    end: int,
    order: IntArray | None,
    columns: IntArray,
    values: FloatArray | None,
    offsets: IntArray,
    local: IntArray,
    width: int,
) -> list[Unit]:
    """Units of one block; sensors begin:end in block order."""
    if end == begin:
        return []
    readings = _count(order, begin, end, offsets)
    per_sensor = max(1.0, readings * columns.shape[1] / (end - begin))
    pairs = per_sensor * per_sensor
    dense = (end - begin) * (DENSE_CELL * width * width - SPARSE_PAIR * pairs) < SPARSE_LOOP * pairs
    size = max(1, UNIT_CELLS // max(width, 16)) if dense else SPARSE_SENSORS
    pieces = max(1, round((end - begin) / size))
    cuts = np.linspace(begin, end, pieces + 1).astype(int)
    return [
        _unit(block, int(a), int(b), order, columns, values, offsets, local, width, dense) for a, b in itertools.pairwise(cuts)
    ]


def _count(order: IntArray | None, begin: int, end: int, offsets: IntArray) -> int:
    if order is None:
        return int(offsets[end] - offsets[begin])
    return int((offsets[order[begin:end] + 1] - offsets[order[begin:end]]).sum())


def _unit(
    block: int,
    begin: int,
    end: int,
    order: IntArray | None,
    columns: IntArray,
    values: FloatArray | None,
    offsets: IntArray,
    local: IntArray,
    width: int,
    dense: bool,
) -> Unit:
    sensors: Where = slice(begin, end) if order is None else order[begin:end]
    if isinstance(sensors, slice):
        count = np.diff(offsets[begin : end + 1])
        readings: Where = slice(int(offsets[begin]), int(offsets[end]))
    else:
        count = offsets[sensors + 1] - offsets[sensors]
        start = np.repeat(offsets[sensors] - np.concatenate(([0], np.cumsum(count)[:-1])), count)
        readings = start + np.arange(len(start))
    sensor = np.repeat(np.arange(end - begin, dtype=np.int32), count)
    entry, column, value = _entries(columns[readings], None if values is None else values[readings], local)
    owner = sensor if entry is None else sensor[entry]
    cell = owner.astype(np.int64) * max(width, 1) + column
    layers = None
    if not dense:
        key, cell = np.unique(cell, return_inverse=True)
        layers = Layers(key // width, key % width, end - begin, width)
        cell = layers.place[cell]
    fits = len(cell) == 0 or cell.max() < 2**31
    return Unit(
        block,
        sensors,
        readings,
        sensor,
        end - begin,
        entry,
        column,
        value,
        cell.astype(np.int32) if fits else cell,
        layers,
    )


def _entries(columns: IntArray, values: FloatArray | None, local: IntArray) -> tuple[Places | None, Places, FloatArray | None]:
    """Local reading, column and coefficient of the entries of some readings (r, K)."""
    flat = columns.ravel()
    real = flat >= 0
    if columns.shape[1] == 1 and real.all():
        return None, local[flat].astype(np.int32), None if values is None else values.ravel()
    where = np.flatnonzero(real)
    entry = (where // max(columns.shape[1], 1)).astype(np.int32)
    return entry, local[flat[where]].astype(np.int32), None if values is None else values.ravel()[where]


def make_pairs(unit: Unit, width: int, rz: FloatArray) -> Pairs:
    """P = T'R^-1Z of a unit from R^-1Z (2, readings)."""
    if width == 0:
        return NoPairs(unit.sensor_count)
    size = unit.sensor_count * width if unit.layers is None else len(unit.layers.sensor)
    table = np.empty((2, size))
    for a in (0, 1):
        weight = rz[a] if unit.entry is None else rz[a][unit.entry]
        table[a] = np.bincount(unit.pair, weight if unit.value is None else weight * unit.value, size)
    if unit.layers is None:
        return DensePairs(table.reshape(2, unit.sensor_count, width))
    return SparsePairs(unit.layers, table)
