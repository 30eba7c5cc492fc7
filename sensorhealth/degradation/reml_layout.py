"""Where each reading goes: which sensor, which columns of the crossed effects, which block."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy import sparse

from sensorhealth.degradation.brownian import Clock, make_clock
from sensorhealth.degradation.elimination_blocks import Block, Unit, column_components, stacked_columns
from sensorhealth.degradation.elimination_meetings import Entries, Fronts, Meetings, meetings_of
from sensorhealth.degradation.elimination_tree import Node, Skeleton, grow, make_skeleton
from sensorhealth.degradation.elimination_units import Cutter
from sensorhealth.degradation.elimination_whole import Whole, make_whole
from sensorhealth.degradation.reml_data import CrossedData, FloatArray, IntArray, Returning, Where
from sensorhealth.errors import FitError

KEPT_ENTRIES = 1_000_000  # readings x classes up to which it is kept which columns each sensor meets
KEPT_CELLS = 4_000_000  # of all leaves' fronts up to which readings are gone through at once and not unit by unit
AT_ONCE = 200_000  # sensors x fixed effects up to which what is worked out for each sensor is worked out for all at once
WHOLE = -1  # in the place of a unit: all of them
OF_STRUCTURE = ("class_of_column", "sensor", "unit_of_sensor", "starts", "crossed", "whole", "table", "turned_table")  # worked
# out once for all y and weights; the last four for all times as well where coefficients stay the same


@dataclass(frozen=True)
class Layout:
    """Index arrays that do not depend on any parameter. N readings, n sensors, C columns, q = p + 1."""

    data: CrossedData
    start: FloatArray  # (p,) coefficients taken off y beforehand
    blocks: list[Block]
    units: list[Unit]
    first_column: IntArray  # (K+1,) columns of class k are first_column[k]:first_column[k+1]
    scale: FloatArray  # (C,) known relative standard deviations
    clock: Clock | None
    _meetings: dict[int, list[Meetings]] = field(default_factory=dict)

    def with_readings(self, y: FloatArray, weights: FloatArray) -> Layout:
        """The same sensors, effects and times with other readings (N,) or weights (N,)."""
        if not (np.all(np.isfinite(y)) and np.all(np.isfinite(weights)) and np.all(weights > 0)):
            raise FitError("readings must be finite, and their weights finite and positive")
        new = replace(self, data=replace(self.data, y=y, weights=weights))
        if self.whole is not None:
            _ = self.sensor, self.starts, self.turned_table, self.crossed  # once for all that are made from this one
        new.__dict__.update({name: self.__dict__[name] for name in OF_STRUCTURE if name in self.__dict__})
        return new

    def with_times(self, data: CrossedData) -> Layout:
        """The same sensors meeting the same columns, with other times, coefficients, scales, fixed effects and readings.

        data: arrays whose offsets and classes' indices are those of this layout.
        """
        columns, values, _ = stacked_columns(data)
        units = self.units if values is None else [_with_values(unit, columns, values) for unit in self.units]
        clock = None if self.clock is None else make_clock(data.g, data.offsets)
        new = Layout(data, self.start, self.blocks, units, self.first_column, _scales(data), clock)
        kept = OF_STRUCTURE if values is None else OF_STRUCTURE[:-4]
        new.__dict__.update({name: self.__dict__[name] for name in kept if name in self.__dict__})
        if values is None:
            new._meetings.update(self._meetings)
            return new
        if self.whole is not None:
            new.__dict__["whole"] = self.whole.with_units(units)
        met = {k: [some.with_values(new.entries(k).value) for some in each] for k, each in self._meetings.items()}
        new._meetings.update(met)
        return new

    def with_clock(self) -> Layout:
        """The same for noise that wanders."""
        if self.clock is not None:
            return self
        new = replace(self, clock=make_clock(self.data.g, self.data.offsets))
        new.__dict__.update({name: self.__dict__[name] for name in OF_STRUCTURE if name in self.__dict__})
        return new

    def with_returning(self, returning: Returning) -> Layout:
        """The same for noise with a wander that comes back."""
        new = replace(self, data=replace(self.data, returning=returning), clock=make_clock(self.data.g, self.data.offsets))
        new.__dict__.update({name: self.__dict__[name] for name in OF_STRUCTURE if name in self.__dict__})
        return new

    @property
    def sensors(self) -> int:
        return self.data.sensors

    @property
    def fixed(self) -> int:
        return self.data.x.shape[1]

    @property
    def columns(self) -> int:
        return int(self.first_column[-1])

    @cached_property
    def class_of_column(self) -> IntArray:
        return np.repeat(np.arange(len(self.data.classes)), np.diff(self.first_column))

    @cached_property
    def sensor(self) -> IntArray:
        """Sensor of every reading (N,)."""
        return np.repeat(np.arange(self.sensors), np.diff(self.data.offsets))

    @cached_property
    def unit_of_sensor(self) -> tuple[IntArray, IntArray]:
        """Unit of every sensor and its place in it, (n,) each."""
        unit, place = np.empty(self.sensors, dtype=np.int64), np.empty(self.sensors, dtype=np.int64)
        for k, own in enumerate(self.units):
            unit[own.sensors], place[own.sensors] = k, np.arange(own.sensor_count)
        return unit, place

    @cached_property
    def at_once(self) -> bool:
        """Whether the sensors of all units are worked on at once: they are few, and the units hold them all."""
        return self.sensors * (self.fixed + 1) <= AT_ONCE and sum(unit.sensor_count for unit in self.units) == self.sensors

    @property
    def gangs(self) -> list[tuple[Where, list[int]]]:
        """Sensors that are worked on at once, and the units that they make up."""
        if self.at_once:
            return [(slice(None), list(range(len(self.units))))]
        return [(unit.sensors, [k]) for k, unit in enumerate(self.units)]

    def place(self, k: int) -> Where:
        """Where the sensors of unit k stand in their gang."""
        return self.units[k].sensors if self.at_once else slice(None)

    @cached_property
    def weights(self) -> FloatArray:
        return np.ones(len(self.data.y)) if self.data.weights is None else self.data.weights

    @cached_property
    def response(self) -> FloatArray:
        """y less the fixed effects at `start` (N,)."""
        return self.data.y - self.data.x @ self.start

    @cached_property
    def crossed(self) -> sparse.csr_array:
        """Coefficients of the crossed effects, known scales included (N, C)."""
        columns, values, _ = stacked_columns(self.data)
        real = columns >= 0
        count = np.concatenate(([0], np.cumsum(real.sum(1))))
        value = np.ones(int(count[-1])) if values is None else values[real]
        return sparse.csr_array((value, columns[real], count), shape=(len(columns), self.columns))

    @cached_property
    def starts(self) -> tuple[IntArray, IntArray]:
        """Sensors with readings, and the first reading of each."""
        filled = np.flatnonzero(np.diff(self.data.offsets) > 0)
        return filled, self.data.offsets[filled]

    def by_sensor(self, values: FloatArray) -> FloatArray:
        """Sums over the readings of every sensor: (..., N) -> (..., n)."""
        out = np.zeros((*values.shape[:-1], self.sensors))
        filled, starts = self.starts
        if len(filled):
            out[..., filled] = np.add.reduceat(values, starts, axis=-1)
        return out

    @property
    def few(self) -> bool:
        """Whether what is worked out for each reading is kept."""
        return len(self.data.y) * len(self.data.classes) <= KEPT_ENTRIES

    @cached_property
    def whole(self) -> Whole | None:
        """The entries of all units at once; None where they are too many."""
        cells = sum(len(block.columns) ** 2 for block in self.blocks if block.units)
        return make_whole(self.blocks, self.units, self.sensors) if self.few and cells <= KEPT_CELLS else None

    @cached_property
    def table(self) -> sparse.csr_array:
        """Coefficients of the entries of all units on the stacked columns of the leaves (N, W)."""
        assert self.whole is not None
        return self.whole.table(len(self.data.y))

    @cached_property
    def turned_table(self) -> sparse.csc_array:
        """The same turned over (W, N)."""
        return self.table.T

    @property
    def parts(self) -> Iterable[int]:
        """The units that are gone through one by one, or WHOLE."""
        return range(len(self.units)) if self.whole is None else (WHOLE,)

    def readings(self, part: int) -> IntArray:
        """The readings of a part (R,)."""
        every = np.arange(len(self.data.y))
        return every if part == WHOLE else every[self.units[part].readings]

    def entries(self, part: int) -> Entries:
        """The entries of a part."""
        if part == WHOLE:
            assert self.whole is not None
            return self.whole.entries()
        unit = self.units[part]
        reading = np.arange(len(unit.sensor)) if unit.entry is None else np.asarray(unit.entry, dtype=np.int64)
        value = np.ones(len(unit.column)) if unit.value is None else unit.value
        return Entries(reading, np.asarray(unit.column, dtype=np.int64), value, np.zeros(unit.sensor_count, dtype=np.int64))

    def fronts(self, part: int) -> Fronts:
        """The fronts that the entries of a part stand on."""
        if part == WHOLE:
            assert self.whole is not None
            return self.whole.fronts
        block = self.units[part].block
        return Fronts((block,), (len(self.blocks[block].columns),))

    def meetings(self, part: int) -> Iterable[Meetings]:
        """Which columns the sensors of a part meet, some sensors at a time; kept where readings are few."""
        if part in self._meetings:
            return self._meetings[part]
        sensor = self.sensor if part == WHOLE else np.asarray(self.units[part].sensor, dtype=np.int64)
        found = meetings_of(self.fronts(part), self.entries(part), sensor, self.readings(part), self.few)
        if not self.few:
            return found
        self._meetings[part] = list(found)
        return self._meetings[part]


def _scales(data: CrossedData) -> FloatArray:
    """Known relative standard deviations of all columns (C,)."""
    return np.concatenate([np.ones(c.size) if c.scale is None else c.scale for c in data.classes] or [np.empty(0)])


def _with_values(unit: Unit, columns: IntArray, values: FloatArray) -> Unit:
    """A unit with other coefficients."""
    flat = values[unit.readings].ravel()
    return replace(unit, value=flat if unit.entry is None else flat[columns[unit.readings].ravel() >= 0])


@dataclass(frozen=True)
class Plan:
    """What all shards of one data set share: the elimination tree, and the fixed effects taken off y beforehand."""

    skeleton: Skeleton
    nodes: tuple[Node, ...]
    start: FloatArray


def make_layout(data: CrossedData, *, brownian: bool, plan: Plan | None = None) -> Layout:
    """Sort out the readings once."""
    columns, values, first = stacked_columns(data)
    if plan is None:
        skeleton = make_skeleton(first, lambda j: part_components(columns, data.offsets, first, j))
        leaf_of_sensor = skeleton.sensor_leaves(columns, data.offsets)
        nodes = grow(skeleton, skeleton.borders(columns, data.offsets, leaf_of_sensor))
        plan = Plan(skeleton, nodes, least_squares(*moments(data)))
    else:
        leaf_of_sensor = plan.skeleton.sensor_leaves(columns, data.offsets)
    blocks, units = Cutter(columns, values, data.offsets, plan.skeleton, plan.nodes).cut(leaf_of_sensor)
    clock = make_clock(data.g, data.offsets) if brownian else None
    return Layout(data, plan.start, blocks, units, first, _scales(data), clock)


def part_components(columns: IntArray, offsets: IntArray, first: IntArray, j: int) -> IntArray:
    """Component (C,) of every column where the j smallest classes tie nothing together."""
    if j == 0:
        return column_components(columns, offsets, int(first[-1]))
    kept = np.argsort(np.diff(first), kind="stable")[j:]
    return column_components(columns[:, np.sort(kept)], offsets, int(first[-1]))


def moments(data: CrossedData) -> tuple[FloatArray, FloatArray]:
    """x'wx (p, p) and x'wy (p,); they add up over shards."""
    x = data.x if data.weights is None else data.x * data.weights[:, None]
    return x.T @ data.x, x.T @ data.y


def least_squares(xx: FloatArray, xy: FloatArray) -> FloatArray:
    """Weighted least squares; FitError names a column that says nothing or repeats the others."""
    if not len(xx):
        return np.empty(0)
    scale = np.sqrt(np.diag(xx))
    if np.any(scale == 0):
        raise FitError(f"column {int(np.argmin(scale))} of the fixed effects is all zero; leave it out")
    unit = xx / np.outer(scale, scale)
    for k in range(1, len(xx)):
        rest = unit[k, k] - unit[k, :k] @ np.linalg.lstsq(unit[:k, :k], unit[:k, k], rcond=None)[0]
        if rest < 1e-12:
            raise FitError(f"column {k} of the fixed effects is a combination of the earlier ones; leave it out")
    return np.linalg.solve(unit, xy / scale) / scale


def totals(group: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sum of the values in each group. Shape (size,)."""
    return np.bincount(group, values, size).astype(float, copy=False)
