"""Cuts the readings into blocks and units."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from sensorhealth.degradation.elimination_blocks import (
    DENSE_CELL,
    SAMPLE,
    SPARSE_LOOP,
    SPARSE_PAIR,
    SPARSE_SENSORS,
    UNIT_CELLS,
    Block,
    Unit,
)
from sensorhealth.degradation.elimination_pairs import DensePairs, Layers, NoPairs, Pairs, SparsePairs
from sensorhealth.degradation.elimination_tree import Node, Skeleton
from sensorhealth.degradation.reml_data import FloatArray, IntArray, Places, Where


class Cutter:
    """Columns and values (N, K) of all entries, sensors' offsets, and where each column stands in the tree."""

    def __init__(
        self, columns: IntArray, values: FloatArray | None, offsets: IntArray, skeleton: Skeleton, nodes: Sequence[Node]
    ) -> None:
        self.columns, self.values, self.offsets, self.nodes = columns, values, offsets, nodes
        self.owner = skeleton.node_of_column
        self.place = np.empty(len(self.owner), dtype=np.int64)
        for own in skeleton.own:
            self.place[own] = np.arange(len(own))

    def locate(self, node: int, columns: IntArray) -> IntArray:
        """Places of columns among those of a node."""
        out = self.place[columns]
        border = self.nodes[node].border
        if len(border):
            far = np.flatnonzero(self.owner[columns] != node)
            out[far] = len(self.nodes[node].own) + np.searchsorted(border, columns[far])
        return out

    def cut(self, leaf_of_sensor: IntArray) -> tuple[list[Block], list[Unit]]:
        """Blocks in the order of elimination, and units."""
        in_order = bool(np.all(np.diff(leaf_of_sensor) >= 0))
        order = None if in_order else np.argsort(leaf_of_sensor, kind="stable")
        edges = np.searchsorted(leaf_of_sensor if order is None else leaf_of_sensor[order], np.arange(len(self.nodes) + 1))
        blocks: list[Block] = []
        units: list[Unit] = []
        for k, node in enumerate(self.nodes):
            mine = self._units(k, int(edges[k]), int(edges[k + 1]), order)
            columns = np.concatenate((node.own, node.border))
            numbers = tuple(range(len(units), len(units) + len(mine)))
            blocks.append(Block(columns, len(node.own), node.parent, node.into, numbers))
            units += mine
        return blocks, units

    def _units(self, block: int, begin: int, end: int, order: IntArray | None) -> list[Unit]:
        """Units of one leaf; sensors begin:end in the order of leaves."""
        if end == begin:
            return []
        width = len(self.nodes[block].own) + len(self.nodes[block].border)
        pairs = self._columns_met(np.arange(begin, end) if order is None else order[begin:end]) ** 2
        dense = (end - begin) * (DENSE_CELL * width * width - SPARSE_PAIR * pairs) < SPARSE_LOOP * pairs
        size = max(1, UNIT_CELLS // max(width, 16)) if dense else SPARSE_SENSORS
        cuts = np.linspace(begin, end, max(1, round((end - begin) / size)) + 1).astype(int)
        return [
            self._unit(block, slice(int(a), int(b)) if order is None else order[a:b], width, dense)
            for a, b in itertools.pairwise(cuts)
        ]

    def _columns_met(self, sensors: IntArray) -> float:
        """Mean number of columns that a sensor meets, from some of them."""
        some = sensors[:: max(1, len(sensors) // SAMPLE)]
        met = [np.unique(self.columns[self.offsets[i] : self.offsets[i + 1]]) for i in some]
        return max(1.0, float(np.mean([len(columns) for columns in met])))

    def _unit(self, block: int, sensors: Where, width: int, dense: bool) -> Unit:
        if isinstance(sensors, slice):
            count = np.diff(self.offsets[sensors.start : sensors.stop + 1])
            readings: Where = slice(int(self.offsets[sensors.start]), int(self.offsets[sensors.stop]))
        else:
            count = self.offsets[sensors + 1] - self.offsets[sensors]
            start = np.repeat(self.offsets[sensors] - np.concatenate(([0], np.cumsum(count)[:-1])), count)
            readings = start + np.arange(len(start))
        sensor = np.repeat(np.arange(len(count), dtype=np.int32), count)
        entry, column, value = self._entries(block, readings)
        owner = sensor if entry is None else sensor[entry]
        cell = owner.astype(np.int64) * max(width, 1) + column
        layers = None
        if not dense:
            key, cell = np.unique(cell, return_inverse=True)
            layers = Layers(key // width, key % width, len(count), width)
            cell = layers.place[cell]
        fits = len(cell) == 0 or cell.max() < 2**31
        pair = cell.astype(np.int32) if fits else cell
        return Unit(block, sensors, readings, sensor, len(count), entry, column, value, pair, layers)

    def _entries(self, block: int, readings: Where) -> tuple[Places | None, Places, FloatArray | None]:
        """Local reading, column and coefficient of the entries of some readings."""
        columns = self.columns[readings]
        values = None if self.values is None else self.values[readings].ravel()
        flat = columns.ravel()
        real = flat >= 0
        if columns.shape[1] == 1 and real.all():
            return None, self.locate(block, flat).astype(np.int32), values
        where = np.flatnonzero(real)
        entry = (where // max(columns.shape[1], 1)).astype(np.int32)
        return entry, self.locate(block, flat[where]).astype(np.int32), None if values is None else values[where]


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
