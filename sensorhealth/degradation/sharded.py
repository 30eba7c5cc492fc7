"""The same fit over shards: any division of the sensors into parts that are kept apart and only send sums.

A shard is a `CrossedData` of whole sensors whose crossed classes number their columns alike in all shards. Sums go from
shards to the driver: a survey and the borders once, then per evaluation what the criterion needs (`first_pass`) and,
where a step is accepted, what its derivatives need (`second_pass`). Every one of them is exact and adds up, so that the
result does not depend on the division.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Protocol, TypeVar

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import connected_components

from sensorhealth.degradation import reml_rows
from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination import FirstPass, absorb_sensors
from sensorhealth.degradation.elimination_blocks import stacked_columns
from sensorhealth.degradation.elimination_columns import Eliminated
from sensorhealth.degradation.elimination_sums import Sums, reduce_readings, reduce_wander
from sensorhealth.degradation.elimination_tree import Skeleton, grow, make_skeleton
from sensorhealth.degradation.reml_data import CrossedData, FloatArray, IntArray, check_data
from sensorhealth.degradation.reml_layout import Layout, Plan, least_squares, make_layout, moments, part_components
from sensorhealth.degradation.reml_score import Back, SecondPass, score_sensors
from sensorhealth.degradation.reml_solution import solve_effects
from sensorhealth.degradation.reml_start import Moments, moments_of
from sensorhealth.degradation.reml_wander import WanderPass, score_wandering


@dataclass(frozen=True)
class Survey:
    """What must be known of all shards before the first evaluation; shards add up."""

    xx: FloatArray  # (p, p) x'wx
    xy: FloatArray  # (p,)
    readings: int
    sensors: int
    links: tuple[IntArray, ...]  # (2, k) columns that some sensor joins, with the 0, 1, ... smallest classes left out

    def __add__(self, other: Survey) -> Survey:
        links = tuple(np.hstack(pair) for pair in zip(self.links, other.links, strict=True))
        return Survey(self.xx + other.xx, self.xy + other.xy, self.readings + other.readings, self.sensors + other.sensors, links)

    def skeleton(self, model: CrossedData) -> Skeleton:
        """Order of elimination for all shards; model: any shard, for its classes."""
        first = np.concatenate(([0], np.cumsum([c.size for c in model.classes]))).astype(np.int64)
        return make_skeleton(first, lambda j: self._components(j, int(first[-1])))

    def _components(self, j: int, columns: int) -> IntArray:
        if columns == 0:
            return np.empty(0, dtype=np.int64)
        joined = self.links[j]
        graph = sparse.coo_array((np.ones(joined.shape[1], np.int8), tuple(joined)), shape=(columns, columns))
        labels = connected_components(graph, directed=False)[1]
        _, first, inverse = np.unique(labels, return_index=True, return_inverse=True)
        rank = np.empty(len(first), dtype=np.int64)
        rank[np.argsort(first)] = np.arange(len(first))
        return rank[inverse]


def survey(data: CrossedData, *, brownian: bool = False) -> Survey:
    """Check a shard and sum up what all must share."""
    check_data(data, brownian=brownian, alone=False)
    columns, _, first = stacked_columns(data)
    links = []
    for j in range(max(len(data.classes), 1)):
        labels = part_components(columns, data.offsets, first, j)
        root = np.full(len(labels), len(labels))
        np.minimum.at(root, labels, np.arange(len(labels)))
        tied = np.flatnonzero(root[labels] != np.arange(len(labels)))
        links.append(np.stack((tied, root[labels[tied]])).astype(np.int64))
    xx, xy = moments(data)
    return Survey(xx, xy, len(data.y), data.sensors, tuple(links))


@dataclass(frozen=True)
class Borders:
    """Per leaf the columns kept back that its sensors meet; shards add up to the union."""

    met: dict[int, IntArray]

    def __add__(self, other: Borders) -> Borders:
        out = dict(self.met)
        for leaf, columns in other.met.items():
            out[leaf] = np.union1d(out[leaf], columns) if leaf in out else columns
        return Borders(out)


def borders(data: CrossedData, skeleton: Skeleton) -> Borders:
    """A shard's part of the borders."""
    columns, _, _ = stacked_columns(data)
    return Borders(skeleton.borders(columns, data.offsets, skeleton.sensor_leaves(columns, data.offsets)))


def make_plan(skeleton: Skeleton, met: Borders, found: Survey) -> Plan:
    """What all shards share."""
    return Plan(skeleton, grow(skeleton, met.met), least_squares(found.xx, found.xy))


class Shard:
    """One shard with its sums, which stay where it is."""

    def __init__(self, data: CrossedData, plan: Plan, brownian: bool) -> None:
        self.layout = make_layout(data, brownian=brownian, plan=plan)
        self._at: tuple[float, Sums, ClockNoise] | None = None

    @cached_property
    def white(self) -> Sums:
        return reduce_readings(self.layout)

    def wandering(self, tau: float) -> tuple[Sums, ClockNoise]:
        """Sums and noise at tau; the latest are kept."""
        assert self.layout.clock is not None
        if self._at is None or self._at[0] != tau:
            noise = ClockNoise(self.layout.clock, self.layout.weights, tau)
            self._at = (tau, reduce_wander(self.layout, noise), noise)
        return self._at[1:]

    def sums(self, tau: float) -> Sums:
        return self.white if self.layout.clock is None else self.wandering(tau)[0]


def start_moments(shard: Shard) -> Moments:
    """Moments for the start of the search."""
    return moments_of(shard.white, shard.layout.data.random)


def first_pass(shard: Shard, d: FloatArray, tau: float) -> FirstPass:
    """A shard's part of the criterion at relative variances d (2, 2) and tau."""
    return absorb_sensors(shard.sums(tau), d)


def second_pass(shard: Shard, back: Back, tau: float, v: FloatArray) -> SecondPass | WanderPass:
    """A shard's part of the derivatives; v (C,) the crossed effects."""
    if shard.layout.clock is None:
        return score_sensors(shard.white, back)
    return score_wandering(*shard.wandering(tau), back, v)


def sensor_effects(shard: Shard, el: Eliminated, tau: float, residual: float) -> tuple[FloatArray, FloatArray]:
    """A shard's predicted deviations (n, 2) and their prediction error covariance (n, 2, 2), absolute."""
    so = solve_effects(el, shard.sums(tau))
    n, p = shard.layout.sensors, shard.layout.fixed
    zero = np.zeros((n, p))
    level, slope = (reml_rows.plain_rows(np.arange(n), zero, np.tile(e, (n, 1)), None) for e in np.eye(2))
    cov = np.empty((n, 2, 2))
    cov[:, 0, 0] = reml_rows.covariances(level, level, so)
    cov[:, 1, 1] = reml_rows.covariances(slope, slope, so)
    cov[:, 0, 1] = cov[:, 1, 0] = reml_rows.covariances(level, slope, so)
    return so.u.T.copy(), residual * cov


T = TypeVar("T")


class Workers(Protocol):
    """Where the shards are."""

    def total(self, function: Callable[..., T], *arguments: Any) -> T:
        """Sum over shards of function(shard, *arguments)."""

    def each(self, function: Callable[..., T], *arguments: Any) -> list[T]:
        """function(shard, *arguments) of every shard, in order."""


class InTurn:
    """Shards in this process, one after the other."""

    def __init__(self, shards: Sequence[Any]) -> None:
        self.shards = shards

    def total(self, function: Callable[..., T], *arguments: Any) -> T:
        out: Any = None
        for shard in self.shards:
            part = function(shard, *arguments)
            out = part if out is None else out + part
        return out  # type: ignore[no-any-return]

    def each(self, function: Callable[..., T], *arguments: Any) -> list[T]:
        return [function(shard, *arguments) for shard in self.shards]


def driver_layout(model: CrossedData, plan: Plan) -> Layout:
    """Blocks of all columns without any readings."""
    none, nothing = np.empty(0, dtype=np.int64), np.empty(0)
    classes = tuple(replace(c, index=none, value=None if c.value is None else nothing) for c in model.classes)
    empty = CrossedData(
        nothing, np.empty((0, model.x.shape[1])), np.zeros(1, dtype=np.int64), nothing, None, classes, model.random
    )
    return make_layout(empty, brownian=False, plan=plan)
