"""Which sensor met which column, and products with that table: dense where most cells are filled, else by pairs.

A unit holds P = T'R^-1Z of its sensors: for every sensor i and column c of its block two numbers P[0, i, c] and
P[1, i, c]. Both forms offer the same five products; the dense one stays in the processor's cache.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray, IntArray, Places


class Pairs(Protocol):
    """n sensors, C columns of one block."""

    def outer(self, root: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
        """sum_i P_i K_i K_i' P_i' (C, C), sum_i P_i K_i R_i (C, q) for root K (n, 2, 2) lower and right R (n, 2, q)."""

    def gather(self, columns: FloatArray) -> FloatArray:
        """P_i' columns for every sensor: (C, k) -> (n, 2, k)."""

    def scatter(self, sensors: FloatArray) -> FloatArray:
        """sum_i P_i sensors_i: (n, 2, k) -> (C, k)."""

    def spread(self, matrix: FloatArray, other: Pairs | None = None) -> FloatArray:
        """P_i' matrix P_i (n, 2, 2) for a symmetric matrix (C, C); with another table of this shape P_i' matrix O_i."""

    def meet(self, matrix: FloatArray, where: Places) -> FloatArray:
        """Cells of P_i' matrix (2, M) at the unit's own places (`Unit.pair`)."""

    def rows(self, begin: int, end: int) -> FloatArray:
        """P of sensors begin:end as a dense table (2, end - begin, C)."""


class DensePairs:
    """Table (2, n, C)."""

    def __init__(self, table: FloatArray) -> None:
        self.table = table

    def outer(self, root: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
        p0, p1 = self.table
        rotated = np.empty((2 * p0.shape[0], p0.shape[1]))
        half = len(p0)
        np.multiply(p0, root[:, 0, 0, None], out=rotated[:half])
        rotated[:half] += p1 * root[:, 1, 0, None]
        np.multiply(p1, root[:, 1, 1, None], out=rotated[half:])
        stacked = np.concatenate((right[:, 0], right[:, 1]))
        return rotated.T @ rotated, rotated.T @ stacked

    def gather(self, columns: FloatArray) -> FloatArray:
        return np.stack((self.table[0] @ columns, self.table[1] @ columns), axis=1)

    def scatter(self, sensors: FloatArray) -> FloatArray:
        return self.table[0].T @ sensors[:, 0] + self.table[1].T @ sensors[:, 1]

    def spread(self, matrix: FloatArray, other: Pairs | None = None) -> FloatArray:
        out = np.empty((self.table.shape[1], 2, 2))
        theirs = self.table if other is None else other.table  # type: ignore[attr-defined]
        for b in (0, 1):
            image = theirs[b] @ matrix
            for a in (0, 1):
                if other is None and a > b:
                    continue
                out[:, a, b] = np.einsum("nc,nc->n", self.table[a], image)
        if other is None:
            out[:, 1, 0] = out[:, 0, 1]
        return out

    def meet(self, matrix: FloatArray, where: Places) -> FloatArray:
        return np.stack([(half @ matrix).ravel()[where] for half in self.table])

    def rows(self, begin: int, end: int) -> FloatArray:
        return self.table[:, begin:end]


class SparsePairs:
    """Values (2, P) of the pairs that occur, sorted by sensor."""

    def __init__(self, sensor: IntArray, column: IntArray, values: FloatArray, sensors: int, columns: int) -> None:
        self.sensor, self.column, self.values = sensor, column, values
        self.sensors, self.columns = sensors, columns

    def _shifts(self):  # type: ignore[no-untyped-def]
        """(first, second) positions of pairs of one sensor that stand d apart, d = 0, 1, 2, ..."""
        first = np.arange(len(self.sensor))
        yield first, first
        d = 1
        while True:
            first = first[: np.searchsorted(first, len(self.sensor) - d)]
            first = first[self.sensor[first] == self.sensor[first + d]]
            if not len(first):
                return
            yield first, first + d
            d += 1

    def outer(self, root: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
        i = self.sensor
        b0 = self.values[0] * root[i, 0, 0] + self.values[1] * root[i, 1, 0]
        b1 = self.values[1] * root[i, 1, 1]
        size = self.columns * self.columns
        half = np.zeros(size)
        for first, second in self._shifts():
            weight = b0[first] * b0[second] + b1[first] * b1[second]
            if first is second:
                weight *= 0.5
            half += np.bincount(self.column[first] * self.columns + self.column[second], weight, size)
        square = half.reshape(self.columns, self.columns)
        thin = np.empty((self.columns, right.shape[2]))
        for k in range(right.shape[2]):
            thin[:, k] = np.bincount(self.column, b0 * right[i, 0, k] + b1 * right[i, 1, k], self.columns)
        return square + square.T, thin

    def gather(self, columns: FloatArray) -> FloatArray:
        out = np.empty((self.sensors, 2, columns.shape[1]))
        for k in range(columns.shape[1]):
            met = columns[self.column, k]
            for a in (0, 1):
                out[:, a, k] = np.bincount(self.sensor, self.values[a] * met, self.sensors)
        return out

    def scatter(self, sensors: FloatArray) -> FloatArray:
        out = np.empty((self.columns, sensors.shape[2]))
        for k in range(sensors.shape[2]):
            weight = (self.values * sensors[self.sensor, :, k].T).sum(0)
            out[:, k] = np.bincount(self.column, weight, self.columns)
        return out

    def _image(self, matrix: FloatArray, values: FloatArray) -> FloatArray:
        """matrix P_i at the columns that sensor i itself meets (2, P)."""
        image = np.zeros_like(values)
        for first, second in self._shifts():
            weight = matrix[self.column[first], self.column[second]]
            image[:, first] += weight * values[:, second]
            if first is not second:
                image[:, second] += weight * values[:, first]
        return image

    def spread(self, matrix: FloatArray, other: Pairs | None = None) -> FloatArray:
        image = self._image(matrix, self.values if other is None else other.values)  # type: ignore[attr-defined]
        out = np.empty((self.sensors, 2, 2))
        for a in (0, 1):
            for b in (0, 1):
                out[:, a, b] = np.bincount(self.sensor, self.values[a] * image[b], self.sensors)
        return out

    def meet(self, matrix: FloatArray, where: Places) -> FloatArray:
        return self._image(matrix, self.values)[:, where]

    def rows(self, begin: int, end: int) -> FloatArray:
        first, last = np.searchsorted(self.sensor, (begin, end))
        out = np.zeros((2, end - begin, self.columns))
        out[:, self.sensor[first:last] - begin, self.column[first:last]] = self.values[:, first:last]
        return out


class NoPairs:
    """Sensors that touch no column at all."""

    def __init__(self, sensors: int) -> None:
        self.sensors = sensors

    def outer(self, root: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
        return np.zeros((0, 0)), np.zeros((0, right.shape[2]))

    def gather(self, columns: FloatArray) -> FloatArray:
        return np.zeros((self.sensors, 2, columns.shape[1]))

    def scatter(self, sensors: FloatArray) -> FloatArray:
        return np.zeros((0, sensors.shape[2]))

    def spread(self, matrix: FloatArray, other: Pairs | None = None) -> FloatArray:
        return np.zeros((self.sensors, 2, 2))

    def meet(self, matrix: FloatArray, where: Places) -> FloatArray:
        return np.zeros((2, len(where)))

    def rows(self, begin: int, end: int) -> FloatArray:
        return np.zeros((2, end - begin, 0))
