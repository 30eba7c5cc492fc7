"""Which columns each sensor meets, in slots of its own: what noise that wanders needs of the crossed effects.

Readings of one sensor are then correlated, so that all columns that it meets touch each other. A sensor meets few of its
block's columns; tables of readings by slots are small where tables of readings by columns are not.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.reml_data import FloatArray, IntArray

HELD_CELLS = 100_000  # of readings x slots worked on at once, which stay near the processor
ALIKE = 1.5  # ratio of the numbers of columns met of sensors that are worked on together
FEW = 24  # columns met, up to which all are
OF_PLACES = ("_rectangle", "_cells", "_halves")  # what does not depend on the coefficients


@dataclass(frozen=True)
class Fronts:
    """Blocks whose columns are stacked, and the cells of their square matrices one after another."""

    blocks: tuple[int, ...]
    widths: tuple[int, ...]

    @cached_property
    def first(self) -> IntArray:
        """First stacked column of each block, and their number (k + 1,)."""
        return np.concatenate(([0], np.cumsum(self.widths))).astype(np.int64)

    @cached_property
    def square(self) -> IntArray:
        """First cell of each block, and their number (k + 1,)."""
        return np.concatenate(([0], np.cumsum(np.square(self.widths)))).astype(np.int64)

    def matrices(self, cells: FloatArray) -> Iterator[tuple[int, FloatArray]]:
        """Each block with its matrix (w, w) out of all cells."""
        for k, (block, width) in enumerate(zip(self.blocks, self.widths)):
            yield block, cells[self.square[k] : self.square[k + 1]].reshape(width, width)

    def symmetric(self, halves: FloatArray) -> Iterator[tuple[int, FloatArray]]:
        """The same of matrices that are the sum of what the cells hold and its transpose."""
        for block, matrix in self.matrices(halves):
            yield block, matrix + matrix.T

    def cells(self, matrices: Mapping[int, FloatArray]) -> FloatArray:
        """All cells out of each block's matrix."""
        return np.concatenate([matrices[block].ravel() for block in self.blocks])


@dataclass(frozen=True)
class Entries:
    """Which reading (M,) touches which stacked column (M,) with which coefficient (M,), by rising reading, and the front
    (n,) of each sensor."""

    reading: IntArray
    column: IntArray
    value: FloatArray
    front: IntArray


@dataclass(frozen=True, eq=False)
class Meetings:
    """Some sensors (n) with their readings (r) and the columns they meet, in c slots each.

    own (r,): their readings among those asked about, readings (r,) among all; sensor, place (r,): sensor of each and its
    place in it. front (n,): whose columns each sensor meets; columns (n, c): the stacked column in each slot, their number
    where there is none. entry, slot, value (M,): reading, slot and coefficient of each entry; entries (M,): which they are
    among those asked about. kept: whether the latest solution is kept.
    """

    fronts: Fronts
    own: IntArray
    readings: IntArray
    sensor: IntArray
    place: IntArray
    front: IntArray
    columns: IntArray
    entry: IntArray
    slot: IntArray
    value: FloatArray
    entries: IntArray
    kept: bool
    _latest: list[tuple[ClockNoise, FloatArray]] = field(default_factory=list)

    def __getstate__(self) -> dict[str, Any]:
        """What another process is sent: it works out the rest anew if it asks."""
        return {field.name: getattr(self, field.name) for field in fields(self)} | {"_latest": []}

    def with_values(self, values: FloatArray) -> Meetings:
        """The same with other coefficients of the entries asked about."""
        new = replace(self, value=values[self.entries], _latest=[])
        new.__dict__.update({name: self.__dict__[name] for name in OF_PLACES if name in self.__dict__})
        return new

    @property
    def slots(self) -> int:
        return self.columns.shape[1]

    @cached_property
    def _rectangle(self) -> IntArray:
        """The readings among all by place and sensor (longest, n), -1 where a sensor has none any more."""
        out = np.full((int(self.place.max(initial=-1)) + 1, len(self.columns)), -1)
        out[self.place, self.sensor] = self.readings
        return out

    @cached_property
    def _differences(self) -> FloatArray:
        """First differences of the coefficients within each sensor (longest, n, c), as the noise's equations want them."""
        longest, n = self._rectangle.shape
        cell = (self.place * n + self.sensor)[self.entry] * self.slots + self.slot
        table = np.bincount(cell, self.value, longest * n * self.slots).astype(float, copy=False)
        table = table.reshape(longest, n, self.slots)
        table[1:] -= table[:-1] * (self._rectangle[1:] >= 0)[:, :, None]
        return table

    @cached_property
    def _table(self) -> FloatArray:
        """Coefficients (r, c)."""
        size = len(self.readings)
        cells = np.bincount(self.slot * size + self.entry, self.value, self.slots * size)
        return cells.astype(float, copy=False).reshape(self.slots, size).T

    @cached_property
    def _falling(self) -> sparse.csr_array:
        """The same with a row for each slot of each sensor (n c, longest n)."""
        n, row = len(self.columns), self.sensor[self.entry] * self.slots + self.slot
        here = self.place[self.entry] * n + self.sensor[self.entry]
        on = np.flatnonzero(np.append(self._rectangle[1:] >= 0, np.zeros((1, n), dtype=bool)).take(here))
        value = np.concatenate((self.value, -self.value[on]))
        where = np.concatenate((row, row[on])), np.concatenate((here, here[on] + n))
        return sparse.csr_array((value, where), shape=(self.columns.size, self._rectangle.size))

    @cached_property
    def _across(self) -> sparse.csr_array:
        """Coefficients (n c, r)."""
        rows = self.sensor[self.entry] * self.slots + self.slot
        return sparse.csr_array((self.value, (rows, self.entry)), shape=(self.columns.size, len(self.readings)))

    def solved(self, noise: ClockNoise) -> FloatArray:
        """R^-1 T in slots (n, longest, c)."""
        if noise.returns:
            return self.padded(noise.whole_way(self._half_way(noise), self.readings))
        found = self._half_way(noise).copy()
        found[:-1] -= found[1:]
        return found.transpose(1, 0, 2)

    def _half_way(self, noise: ClockNoise) -> FloatArray:
        """The same before its last step (longest, n, c); (r, c) where readings come back to their path."""
        if self._latest and self._latest[0][0] is noise:
            return self._latest[0][1]
        if noise.returns:
            found = np.ascontiguousarray(noise.half_way(noise.differences(self._table, self.readings), self.readings))
        else:
            found = noise.half_way_abreast(self._differences, self._rectangle)
        if self.kept:
            self._latest[:] = [(noise, found)]
        return found

    def total(self, values: FloatArray) -> FloatArray:
        """T' values of each sensor: (r, k) -> (n, c, k)."""
        return np.asarray(self._across @ values).reshape(len(self.columns), self.slots, -1)

    def padded(self, values: FloatArray) -> FloatArray:
        """Values (r, k) as (n, longest sensor, k), 0 where there is no reading."""
        out = np.zeros((len(self.columns), len(self._rectangle), values.shape[1]))
        out[self.sensor, self.place] = values
        return out

    @cached_property
    def _cells(self) -> IntArray:
        """Place of each cell (n c c,) among the cells of all fronts, their number where there is none."""
        fronts = self.fronts
        width, first = np.asarray(fronts.widths)[self.front], fronts.first[self.front]
        real = self.columns < fronts.first[-1]
        local = np.where(real, self.columns - first[:, None], 0)
        cell = (fronts.square[self.front][:, None] + local * width[:, None])[:, :, None] + local[:, None, :]
        cell[~(real[:, :, None] & real[:, None, :])] = fronts.square[-1]
        return cell.ravel()

    @cached_property
    def _halves(self) -> tuple[IntArray, sparse.csr_array]:
        """The fronts' cells (u,) under the diagonals and half of those on them, as far as they are met, and which cells (n c c)
        add up to each (u, n c c)."""
        n, c, count = len(self.columns), self.slots, int(self.fronts.square[-1])
        row, column = np.tril_indices(c)
        some = (np.arange(n)[:, None] * (c * c) + row * c + column).ravel()
        weight = np.tile(np.where(row == column, 0.5, 1.0), n)
        cell = self._cells[some]
        met = sparse.csr_array((weight, (cell, some)), shape=(count + 1, n * c * c))
        rows = np.flatnonzero(np.diff(met.indptr[:-1]))
        ends = np.append(met.indptr[rows], met.indptr[-2])
        return rows, sparse.csr_array((met.data[: ends[-1]], met.indices[: ends[-1]], ends), shape=(len(rows), n * c * c))

    def _add(self, values: FloatArray, halves: FloatArray) -> None:
        """Add symmetric (n, c, c) to the cells of all fronts in halves (see `Fronts.symmetric`)."""
        if self.kept:
            rows, adding = self._halves
            halves[rows] += adding @ values.ravel()
        else:
            halves += 0.5 * np.bincount(self._cells, values.ravel(), len(halves) + 1)[:-1]

    def gather(self, cells: FloatArray) -> FloatArray:
        """Cells (n, c, c) out of the cells of all fronts."""
        return np.append(cells, 0.0).take(self._cells).reshape(*self.columns.shape, self.slots)

    def pick(self, rows: FloatArray) -> FloatArray:
        """Rows (W, k) of the stacked columns in each slot (n, c, k)."""
        return np.vstack((rows, np.zeros((1, rows.shape[1]))))[self.columns]

    def add_crossing(self, noise: ClockNoise, halves: FloatArray) -> None:
        """Add T'R^-1T to the cells of all fronts in halves."""
        half = self._half_way(noise)
        if noise.returns:
            self._add(self.total(noise.whole_way(half, self.readings)), halves)
        else:
            self._add(self._falling @ half.reshape(-1, self.slots), halves)

    def add_crossing_slope(self, noise: ClockNoise, halves: FloatArray) -> None:
        """The same of its derivative to tau, -S'KS for S = R^-1T."""
        half = self._half_way(noise)
        if noise.returns:
            weighted = self.padded(noise.rooted(half, self.readings)).transpose(1, 0, 2)
        else:
            step = np.where(self._rectangle >= 0, noise.clock.step[self._rectangle], 0.0)
            weighted = np.sqrt(step)[:, :, None] * half
        self._add(-(weighted.transpose(1, 2, 0) @ weighted.transpose(1, 0, 2)), halves)


def meetings_of(fronts: Fronts, entries: Entries, sensor: IntArray, readings: IntArray, kept: bool) -> Iterator[Meetings]:
    """Sensors with the columns they meet, as many at a time as are worked on at once; sensor (R,): of each reading,
    numbered from 0; readings (R,): which they are among all; kept: whether they will be asked again.

    Sensors that meet about as many columns go together, so that few slots stay empty.
    """
    total = int(fronts.first[-1])
    if total == 0:
        return
    owner = sensor[entries.reading]
    key, cell = np.unique(owner * total + entries.column, return_inverse=True)
    who, size = key // total, len(entries.front)
    met = np.bincount(who, minlength=size)
    slot = np.arange(len(key)) - (np.cumsum(met) - met)[who]
    count = np.bincount(sensor, minlength=size)
    place = np.arange(len(sensor)) - (np.cumsum(count) - count)[sensor]
    rank = np.full(size, -1)
    row = np.full(len(sensor), -1)
    for sensors in _groups(met, count):
        rank[sensors] = np.arange(len(sensors))
        own = np.flatnonzero(rank[sensor] >= 0)
        pairs, some = np.flatnonzero(rank[who] >= 0), np.flatnonzero(rank[owner] >= 0)
        columns = np.full((len(sensors), max(int(met[sensors].max()), 1)), total)
        columns[rank[who[pairs]], slot[pairs]] = key[pairs] % total
        row[own] = np.arange(len(own))
        where = (rank[sensor[own]], place[own], entries.front[sensors], columns)
        at = (row[entries.reading[some]], slot[cell[some]], entries.value[some], some)
        yield Meetings(fronts, own, readings[own], *where, *at, kept)
        rank[sensors] = -1


def _groups(met: IntArray, count: IntArray) -> Iterator[IntArray]:
    """Sensors that meet about as many columns, each group of which holds about HELD_CELLS of readings x slots."""
    left = np.arange(len(met))
    while len(left):
        most = int(met[left].max())
        together = met[left] >= (0 if most <= FEW else most / ALIKE)
        alike, left = left[together], left[~together]
        load = np.cumsum(count[alike] * max(most, 1)) // HELD_CELLS
        yield from np.split(alike, np.flatnonzero(np.diff(load)) + 1)
