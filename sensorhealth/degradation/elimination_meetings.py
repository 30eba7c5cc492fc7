"""Which columns each sensor meets, in slots of its own: what noise that wanders needs of the crossed effects.

Readings of one sensor are then correlated, so that all columns that it meets touch each other. A sensor meets few of its
block's columns; tables of readings by slots are small where tables of readings by columns are not.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy import sparse

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination_blocks import Unit
from sensorhealth.degradation.reml_data import FloatArray, IntArray

HELD_CELLS = 2_000_000  # of readings x slots worked on at once
ALIKE = 1.5  # ratio of the numbers of columns met of sensors that are worked on together
FEW = 24  # columns met, up to which all are


@dataclass(frozen=True, eq=False)
class Meetings:
    """Some sensors (n) of one unit with their readings (r) and the columns they meet, in c slots each.

    own (r,): their readings among the unit's, readings (r,) among all; sensor, place (r,): sensor of each and its place in
    it. columns (n, c): the block's column in each slot, its width where there is none. entry, slot, value (M,): reading,
    slot and coefficient of each entry; entries (M,): which they are among the unit's. kept: whether the latest
    solution is kept.
    """

    width: int
    own: IntArray
    readings: IntArray
    sensor: IntArray
    place: IntArray
    columns: IntArray
    entry: IntArray
    slot: IntArray
    value: FloatArray
    entries: IntArray
    kept: bool
    _latest: list[tuple[ClockNoise, FloatArray]] = field(default_factory=list)

    def with_values(self, values: FloatArray | None) -> Meetings:
        """The same with other coefficients of the unit's entries."""
        new = replace(self, value=np.ones(len(self.entries)) if values is None else values[self.entries], _latest=[])
        if "_cells" in self.__dict__:
            new.__dict__["_cells"] = self._cells
        return new

    @property
    def slots(self) -> int:
        return self.columns.shape[1]

    @cached_property
    def _table(self) -> sparse.csr_array:
        """Coefficients (r, c)."""
        return sparse.csr_array((self.value, (self.entry, self.slot)), shape=(len(self.readings), self.slots))

    @cached_property
    def _across(self) -> sparse.csr_array:
        """Coefficients (n c, r)."""
        rows = self.sensor[self.entry] * self.slots + self.slot
        return sparse.csr_array((self.value, (rows, self.entry)), shape=(self.columns.size, len(self.readings)))

    def solved(self, noise: ClockNoise) -> FloatArray:
        """R^-1 T in slots (r, c)."""
        if self._latest and self._latest[0][0] is noise:
            return self._latest[0][1]
        found = noise.solve(self._table.toarray(order="F"), self.readings)
        if self.kept:
            self._latest[:] = [(noise, found)]
        return found

    def total(self, values: FloatArray) -> FloatArray:
        """T' values of each sensor: (r, k) -> (n, c, k)."""
        return np.asarray(self._across @ values).reshape(len(self.columns), self.slots, -1)

    def padded(self, values: FloatArray) -> FloatArray:
        """Values (r, k) as (n, longest sensor, k), 0 where there is no reading."""
        longest = int(self.place.max(initial=-1)) + 1
        out = np.zeros((len(self.columns), longest, values.shape[1]))
        out[self.sensor, self.place] = values
        return out

    @cached_property
    def _cells(self) -> IntArray:
        """Place of each cell (n c c,) in a matrix of the block's columns and one more."""
        return (self.columns[:, :, None] * (self.width + 1) + self.columns[:, None, :]).ravel()

    def scatter(self, cells: FloatArray) -> FloatArray:
        """Cells (n, c, c) added up on the block's columns (w, w)."""
        side = self.width + 1
        added = np.bincount(self._cells, cells.ravel(), side * side).astype(float, copy=False)
        return added.reshape(side, side)[:-1, :-1]

    def gather(self, matrix: FloatArray) -> FloatArray:
        """Cells (n, c, c) of a matrix (w, w)."""
        wide = np.zeros((self.width + 1, self.width + 1))
        wide[:-1, :-1] = matrix
        return wide.ravel().take(self._cells).reshape(*self.columns.shape, self.slots)

    def pick(self, rows: FloatArray) -> FloatArray:
        """Rows (w, k) of the columns in each slot (n, c, k)."""
        return np.vstack((rows, np.zeros((1, rows.shape[1]))))[self.columns]

    def crossing(self, noise: ClockNoise) -> FloatArray:
        """T'R^-1T (w, w)."""
        return self.scatter(self.total(self.solved(noise)))

    def crossing_slope(self, noise: ClockNoise) -> FloatArray:
        """Its derivative to tau, -S'KS for S = R^-1T: squares of what S adds up to from each time to the last."""
        total = np.cumsum(self.padded(self.solved(noise))[:, ::-1], axis=1)[:, ::-1]
        weighted = np.sqrt(self.padded(noise.clock.step[self.readings, None])) * total
        return -self.scatter(weighted.transpose(0, 2, 1) @ weighted)


def unit_meetings(unit: Unit, readings: IntArray, width: int, kept: bool) -> Iterator[Meetings]:
    """A unit's sensors with the columns they meet, as many at a time as are worked on at once; readings: the unit's;
    kept: whether they will be asked again.

    Sensors that meet about as many columns go together, so that few slots stay empty.
    """
    if width == 0:
        return
    entry = np.arange(len(unit.sensor)) if unit.entry is None else np.asarray(unit.entry, dtype=np.int64)
    value = np.ones(len(unit.column)) if unit.value is None else unit.value
    key, cell = np.unique(unit.sensor[entry].astype(np.int64) * width + unit.column, return_inverse=True)
    who = key // width
    met = np.bincount(who, minlength=unit.sensor_count)
    slot = np.arange(len(key)) - (np.cumsum(met) - met)[who]
    count = np.bincount(unit.sensor, minlength=unit.sensor_count)
    place = np.arange(len(unit.sensor)) - (np.cumsum(count) - count)[unit.sensor]
    rank = np.full(unit.sensor_count, -1)
    row = np.full(len(unit.sensor), -1)
    for sensors in _groups(met, count):
        rank[sensors] = np.arange(len(sensors))
        own = np.flatnonzero(rank[unit.sensor] >= 0)
        pairs, some = np.flatnonzero(rank[who] >= 0), np.flatnonzero(rank[unit.sensor[entry]] >= 0)
        columns = np.full((len(sensors), max(int(met[sensors].max()), 1)), width)
        columns[rank[who[pairs]], slot[pairs]] = key[pairs] % width
        row[own] = np.arange(len(own))
        where = (rank[unit.sensor[own]], place[own], columns)
        yield Meetings(width, own, readings[own], *where, row[entry[some]], slot[cell[some]], value[some], some, kept)
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
