"""Which columns each sensor meets, in slots of its own: what noise that wanders needs of the crossed effects.

Readings of one sensor are then correlated, so that all columns that it meets touch each other. A sensor meets few of its
block's columns; tables of readings by slots are small where tables of readings by columns are not.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination_blocks import Unit
from sensorhealth.degradation.reml_data import FloatArray, IntArray

HELD_CELLS = 2_000_000  # of readings x slots worked on at once


@dataclass(frozen=True)
class Meetings:
    """Some sensors (n) of one unit with their readings (r) and the columns they meet, in c slots each.

    begin, end: the sensors among the unit's. readings (r,) among all; sensor, place (r,): sensor of each and its place in
    it. columns (n, c): the block's column in each slot, its width where there is none. entry, slot, value (M,): reading,
    slot and coefficient of each entry.
    """

    begin: int
    end: int
    width: int
    readings: IntArray
    sensor: IntArray
    place: IntArray
    columns: IntArray
    entry: IntArray
    slot: IntArray
    value: FloatArray

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
        return noise.solve(self._table.toarray(order="F"), self.readings)

    def total(self, values: FloatArray) -> FloatArray:
        """T' values of each sensor: (r, k) -> (n, c, k)."""
        return np.asarray(self._across @ values).reshape(len(self.columns), self.slots, -1)

    def padded(self, values: FloatArray) -> FloatArray:
        """Values (r, k) as (n, longest sensor, k), 0 where there is no reading."""
        longest = int(self.place.max(initial=-1)) + 1
        out = np.zeros((len(self.columns), longest, values.shape[1]))
        out[self.sensor, self.place] = values
        return out

    def scatter(self, cells: FloatArray) -> FloatArray:
        """Cells (n, c, c) added up on the block's columns (w, w)."""
        side = self.width + 1
        key = self.columns[:, :, None] * side + self.columns[:, None, :]
        added = np.bincount(key.ravel(), cells.ravel(), side * side).astype(float, copy=False)
        return added.reshape(side, side)[:-1, :-1]

    def gather(self, matrix: FloatArray) -> FloatArray:
        """Cells (n, c, c) of a matrix (w, w)."""
        wide = np.zeros((self.width + 1, self.width + 1))
        wide[:-1, :-1] = matrix
        return wide[self.columns[:, :, None], self.columns[:, None, :]]

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


def unit_meetings(unit: Unit, readings: IntArray, width: int) -> Iterator[Meetings]:
    """A unit's sensors with the columns they meet, as many at a time as are worked on at once; readings: the unit's."""
    if width == 0:
        return
    entry = np.arange(len(unit.sensor)) if unit.entry is None else np.asarray(unit.entry, dtype=np.int64)
    value = np.ones(len(unit.column)) if unit.value is None else unit.value
    key, cell = np.unique(unit.sensor[entry].astype(np.int64) * width + unit.column, return_inverse=True)
    met = np.bincount(key // width, minlength=unit.sensor_count)
    first = np.cumsum(met) - met
    reach = np.searchsorted(unit.sensor, np.arange(unit.sensor_count + 1))
    bounds = np.searchsorted(entry, reach)
    for begin, end in _runs(np.diff(reach) * max(int(met.max(initial=0)), 1)):
        own, some = slice(reach[begin], reach[end]), slice(bounds[begin], bounds[end])
        sensor = unit.sensor[own].astype(np.int64) - begin
        pairs = key[first[begin] : first[end - 1] + met[end - 1]]
        columns = np.full((end - begin, max(int(met[begin:end].max(initial=0)), 1)), width)
        who = pairs // width - begin
        columns[who, np.arange(len(pairs)) - (first[begin:end] - first[begin])[who]] = pairs % width
        slot = cell[some] - first[begin:end][sensor[entry[some] - reach[begin]]]
        place = np.arange(len(sensor)) - (reach[begin:end] - reach[begin])[sensor]
        yield Meetings(
            begin, end, width, readings[own], sensor, place, columns, entry[some] - reach[begin], slot, value[some]
        )  # fmt: skip


def _runs(load: IntArray) -> list[tuple[int, int]]:
    """Runs of sensors of which each holds about HELD_CELLS."""
    group = np.cumsum(load) // HELD_CELLS
    edges = np.concatenate(([0], np.flatnonzero(np.diff(group)) + 1, [len(load)])).tolist()
    return list(itertools.pairwise(edges))
