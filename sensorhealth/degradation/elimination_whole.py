"""Entries of all units at once, where readings are few: one pass over all instead of one for each unit."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from sensorhealth.degradation.elimination_blocks import Block, Unit
from sensorhealth.degradation.elimination_meetings import Entries, Fronts
from sensorhealth.degradation.reml_data import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Structure:
    """Which reading (M,) touches which stacked column (M,) of the leaves' fronts, by rising reading, and the front (n,) of
    each sensor; order (M,): where each entry stands among those of the units one after another."""

    fronts: Fronts
    reading: IntArray
    column: IntArray
    front: IntArray
    order: IntArray

    @cached_property
    def _pairs(self) -> tuple[IntArray, IntArray, IntArray]:
        """Pairs of entries of one reading, each once: cell of the fronts, first and second entry (P,). The first pairs are each
        entry with itself."""
        fronts, parts = self.fronts, []
        most = int(np.bincount(self.reading).max(initial=0))
        which = np.searchsorted(fronts.first, self.column, side="right") - 1
        local, width = self.column - fronts.first[which], np.asarray(fronts.widths)[which]
        for d in range(most):
            a = np.flatnonzero(self.reading[d:] == self.reading[: len(self.reading) - d])
            parts.append((fronts.square[which[a]] + local[a] * width[a] + local[a + d], a, a + d))
        cell, i, j = (np.concatenate(part) for part in zip(*parts)) if parts else (self.reading,) * 3
        return cell, i, j


class Whole:
    """A structure with its coefficients (M,)."""

    def __init__(self, structure: Structure, value: FloatArray) -> None:
        self.structure, self.value = structure, value

    @property
    def fronts(self) -> Fronts:
        return self.structure.fronts

    def entries(self) -> Entries:
        """For the meetings."""
        return Entries(self.structure.reading, self.structure.column, self.value, self.structure.front)

    def with_units(self, units: list[Unit]) -> Whole:
        """The same with the coefficients of these units."""
        return Whole(self.structure, _values(units)[self.structure.order])

    def table(self, readings: int) -> sparse.csr_array:
        """Coefficients (N, W)."""
        count = np.bincount(self.structure.reading, minlength=readings)
        ends = np.concatenate(([0], np.cumsum(count)))
        return sparse.csr_array((self.value, self.structure.column, ends), shape=(readings, int(self.fronts.first[-1])))

    @cached_property
    def products(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Cell, reading and product of the coefficients of each pair of entries (P,), half of it for an entry with itself."""
        cell, i, j = self.structure._pairs
        product = self.value[i] * self.value[j]
        product[: len(self.value)] *= 0.5
        return cell, self.structure.reading[i], product

    def same_reading(self, weights: FloatArray | None) -> FloatArray:
        """T'WT on the cells of all fronts in halves (see `Fronts.symmetric`)."""
        cell, reading, product = self.products
        weighted = product if weights is None else product * weights[reading]
        return np.bincount(cell, weighted, int(self.fronts.square[-1])).astype(float, copy=False)


def make_whole(blocks: list[Block], units: list[Unit], sensors: int) -> Whole:
    """Stack the entries of all units."""
    leaves = tuple(b for b, block in enumerate(blocks) if block.units)
    fronts = Fronts(leaves, tuple(len(blocks[b].columns) for b in leaves))
    number = {b: k for k, b in enumerate(leaves)}
    front = np.zeros(sensors, dtype=np.int64)
    reading, column = [], []
    every = np.arange(sum(len(unit.sensor) for unit in units))
    for unit in units:
        front[unit.sensors] = number[unit.block]
        own = every[unit.readings]
        reading.append(own if unit.entry is None else own[unit.entry])
        column.append(fronts.first[number[unit.block]] + unit.column)
    met = np.concatenate(reading) if reading else every
    order = np.argsort(met, kind="stable")
    columns = np.concatenate(column)[order] if column else every
    return Whole(Structure(fronts, met[order], columns, front, order), _values(units)[order])


def _values(units: list[Unit]) -> FloatArray:
    parts = [np.ones(len(unit.column)) if unit.value is None else unit.value for unit in units]
    return np.concatenate(parts) if parts else np.empty(0)
