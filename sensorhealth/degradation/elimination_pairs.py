"""Which sensor met which column, and products with that table: dense where most cells are filled, else by pairs.

A unit holds P = T'R^-1Z of its sensors: for every sensor i and column c of its block two numbers P[0, i, c] and
P[1, i, c]. Both forms offer the same products; the dense one stays in the processor's cache. Arrays of sensors have the
sensor as their last axis; symmetric 2x2 matrices are stored as rows 11, 12, 22.
"""

from __future__ import annotations

import itertools
from typing import Protocol

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray, IntArray, Places

MOST_KEPT = 500_000  # pairs times layers of a unit whose cells are kept


class Pairs(Protocol):
    """n sensors, C columns of one block."""

    def outer(self, root: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
        """sum_i P_i K_i K_i' P_i' (C, C), sum_i P_i K_i R_i (C, q) for lower K (3, n) as 11, 21, 22 and R (2, q, n)."""

    def gather(self, columns: FloatArray) -> FloatArray:
        """P_i' columns for every sensor: (C, k) -> (2, k, n)."""

    def scatter(self, sensors: FloatArray) -> FloatArray:
        """sum_i P_i sensors_i: (2, k, n) -> (C, k)."""

    def spread(self, matrix: FloatArray) -> FloatArray:
        """P_i' matrix P_i (3, n) for a symmetric matrix (C, C)."""

    def cross_spread(self, matrix: FloatArray, other: Pairs) -> FloatArray:
        """The symmetric part of P_i' matrix O_i (3, n) with another table of the same shape."""

    def meet(self, matrix: FloatArray, where: Places) -> FloatArray:
        """Cells of P_i' matrix (2, M) at the unit's own places (`Unit.pair`)."""

    def take(self, sensors: IntArray) -> FloatArray:
        """P of some sensors as a dense table (2, k, C)."""


class DensePairs:
    """Table (2, n, C)."""

    def __init__(self, table: FloatArray) -> None:
        self.table = table
        self._latest: tuple[FloatArray, FloatArray] | None = None

    def _images(self, matrix: FloatArray) -> FloatArray:
        """P matrix (2, n, C); the latest are kept, as spread and cells of one matrix are asked for one after the other."""
        if self._latest is None or self._latest[0] is not matrix:
            self._latest = matrix, self.table @ matrix
        return self._latest[1]

    def outer(self, root: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
        p0, p1 = self.table
        n = len(p0)
        rotated = np.empty((2 * n, p0.shape[1]))
        np.multiply(p1, root[1, :, None], out=rotated[n:])
        np.multiply(p0, root[0, :, None], out=rotated[:n])
        rotated[:n] += rotated[n:]
        np.multiply(p1, root[2, :, None], out=rotated[n:])
        thin = right[0] @ rotated[:n] + right[1] @ rotated[n:]
        return rotated.T @ rotated, thin.T

    def gather(self, columns: FloatArray) -> FloatArray:
        return np.array([columns.T @ self.table[0].T, columns.T @ self.table[1].T])

    def scatter(self, sensors: FloatArray) -> FloatArray:
        return (sensors[0] @ self.table[0] + sensors[1] @ self.table[1]).T

    def spread(self, matrix: FloatArray) -> FloatArray:
        (p0, p1), (image0, image1) = self.table, self._images(matrix)
        return np.array([np.vecdot(p0, image0), np.vecdot(p1, image0), np.vecdot(p1, image1)])

    def cross_spread(self, matrix: FloatArray, other: Pairs) -> FloatArray:
        assert isinstance(other, DensePairs)
        images = [half @ matrix for half in other.table]
        p0, p1 = self.table
        off = np.vecdot(p0, images[1]) + np.vecdot(p1, images[0])
        return np.array([np.vecdot(p0, images[0]), 0.5 * off, np.vecdot(p1, images[1])])

    def meet(self, matrix: FloatArray, where: Places) -> FloatArray:
        return self._images(matrix).reshape(2, -1)[:, where]

    def take(self, sensors: IntArray) -> FloatArray:
        return self.table[:, sensors]


class SparsePairs:
    """Values (2, P) of the pairs that occur, laid out in jagged diagonals.

    Sensors are ranked by falling number of pairs; layer j holds the j-th pair of every sensor that has one, in rank
    order, so that any two layers meet along a slice.
    """

    def __init__(self, layers: Layers, values: FloatArray) -> None:
        self.layers, self.values = layers, values

    def outer(self, root: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
        layers, width = self.layers, self.layers.columns
        i = layers.sensor
        b0 = self.values[0] * root[0, i] + self.values[1] * root[1, i]
        b1 = self.values[1] * root[2, i]
        half: FloatArray = np.zeros(0 if layers.slices else width**2)
        cells: list[IntArray] = []
        weights: list[FloatArray] = []
        for first in layers.slices:
            mine, on = layers.abreast(first), slice(first.start, None)
            weight = b0[mine] * b0[on] + b1[mine] * b1[on]
            weight[: first.stop - first.start] *= 0.5
            cells.append(layers.cells(first))
            weights.append(weight)
            if sum(map(len, weights)) > width**2 or first is layers.slices[-1]:  # the square is gone through a few times only
                some = np.bincount(np.concatenate(cells), np.concatenate(weights), width**2).astype(float, copy=False)
                half, cells, weights = half + some if half.size else some, [], []
        square = half.reshape(width, width)
        thin = np.stack([np.bincount(layers.column, b0 * r0[i] + b1 * r1[i], width) for r0, r1 in zip(*right)], axis=1)
        return square + square.T, thin.astype(float, copy=False)

    def gather(self, columns: FloatArray) -> FloatArray:
        layers = self.layers
        out = np.empty((2, columns.shape[1], layers.sensors))
        for k in range(columns.shape[1]):
            met = columns[layers.column, k]
            for a in (0, 1):
                out[a, k] = np.bincount(layers.sensor, self.values[a] * met, layers.sensors)
        return out

    def scatter(self, sensors: FloatArray) -> FloatArray:
        layers = self.layers
        out = np.empty((layers.columns, sensors.shape[1]))
        for k in range(sensors.shape[1]):
            weight = self.values[0] * sensors[0, k, layers.sensor] + self.values[1] * sensors[1, k, layers.sensor]
            out[:, k] = np.bincount(layers.column, weight, layers.columns)
        return out

    def _image(self, matrix: FloatArray, values: FloatArray) -> FloatArray:
        """matrix P_i at the columns that sensor i itself meets (2, P)."""
        layers = self.layers
        image = np.zeros_like(values)
        flat = matrix.ravel()
        for j, first in enumerate(layers.slices):
            for second in layers.slices[j:]:
                mine = slice(first.start, first.start + second.stop - second.start)
                weight = flat[layers.column[mine] * layers.columns + layers.column[second]]
                for a in (0, 1):
                    image[a, mine] += weight * values[a, second]
                    if second is not first:
                        image[a, second] += weight * values[a, mine]
        return image

    def spread(self, matrix: FloatArray) -> FloatArray:
        return self._contract(self._image(matrix, self.values))

    def cross_spread(self, matrix: FloatArray, other: Pairs) -> FloatArray:
        assert isinstance(other, SparsePairs)
        return self._contract(self._image(matrix, other.values))

    def _contract(self, image: FloatArray) -> FloatArray:
        v, layers = self.values, self.layers
        parts = (v[0] * image[0], 0.5 * (v[0] * image[1] + v[1] * image[0]), v[1] * image[1])
        return np.stack([np.bincount(layers.sensor, part, layers.sensors) for part in parts])

    def meet(self, matrix: FloatArray, where: Places) -> FloatArray:
        return self._image(matrix, self.values)[:, where]

    def take(self, sensors: IntArray) -> FloatArray:
        layers = self.layers
        chosen, where = np.unique(sensors, return_inverse=True)
        row = np.full(layers.sensors, -1)
        row[chosen] = np.arange(len(chosen))
        mine = np.flatnonzero(row[layers.sensor] >= 0)
        out = np.zeros((2, len(chosen), layers.columns))
        out[:, row[layers.sensor[mine]], layers.column[mine]] = self.values[:, mine]
        return out[:, where]


class Layers:
    """Where the pairs of a sparse unit stand."""

    def __init__(self, sensor: IntArray, column: IntArray, sensors: int, columns: int) -> None:
        """sensor, column (P,): the pairs sorted by sensor. `place` (P,) tells where each of them went."""
        self.sensors, self.columns = sensors, columns
        count = np.bincount(sensor, minlength=sensors)
        rank = np.empty(sensors, dtype=np.int64)
        rank[np.argsort(-count, kind="stable")] = np.arange(sensors)
        layer = np.arange(len(sensor)) - (np.cumsum(count) - count)[sensor]
        order = np.lexsort((rank[sensor], layer))
        self.place = np.empty(len(sensor), dtype=np.int64)
        self.place[order] = np.arange(len(sensor))
        self.sensor, self.column = sensor[order], column[order]
        bounds = np.concatenate(([0], np.cumsum(np.bincount(layer)))) if len(layer) else np.zeros(1, dtype=np.int64)
        self.slices = [slice(int(a), int(b)) for a, b in itertools.pairwise(bounds)]
        self.at = np.arange(len(sensor)) - np.repeat(bounds[:-1], np.diff(bounds))  # place (P,) of each pair in its layer
        self._cells: dict[int, IntArray] = {}

    def abreast(self, first: slice) -> IntArray:
        """Of every pair from the layer `first` on the pair of the same sensor in that layer."""
        return first.start + self.at[first.start :]

    def cells(self, first: slice) -> IntArray:
        """Cell of the square matrix in which the two meet; kept where that takes little room."""
        if first.start not in self._cells:
            cells = self.column[self.abreast(first)] * self.columns + self.column[first.start :]
            if len(self.slices) * len(self.column) > MOST_KEPT:
                return cells
            self._cells[first.start] = cells
        return self._cells[first.start]


class NoPairs:
    """Sensors that touch no column at all."""

    def __init__(self, sensors: int) -> None:
        self.sensors = sensors

    def outer(self, root: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
        return np.zeros((0, 0)), np.zeros((0, right.shape[1]))

    def gather(self, columns: FloatArray) -> FloatArray:
        return np.zeros((2, columns.shape[1], self.sensors))

    def scatter(self, sensors: FloatArray) -> FloatArray:
        return np.zeros((0, sensors.shape[1]))

    def spread(self, matrix: FloatArray) -> FloatArray:
        return np.zeros((3, self.sensors))

    def cross_spread(self, matrix: FloatArray, other: Pairs) -> FloatArray:
        return np.zeros((3, self.sensors))

    def meet(self, matrix: FloatArray, where: Places) -> FloatArray:
        return np.zeros((2, len(where)))

    def take(self, sensors: IntArray) -> FloatArray:
        return np.zeros((2, len(sensors), 0))
