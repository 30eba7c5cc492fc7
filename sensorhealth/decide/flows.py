"""Expected replacements in each period, of sensors in service and of those that replace them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.newlives import LifeTable, NewLives
from sensorhealth.decide.replacement import time_in_service
from sensorhealth.decide.schemes import Positions, Ways, at_each, life_rows, replaced_by

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


class Chains(NamedTuple):
    """What follows a replacement, for one kind: chance (m, m) that a sensor put in during period j ends in period k.

    planned, failed: by a planned swap, by an end in service. every: expected replacements of all later generations in
    period k, and the one in j itself, (I - planned - failed)^-1.
    """

    planned: FloatArray
    failed: FloatArray
    every: FloatArray


class Flows(NamedTuple):
    """Expected replacements (n, m) of all generations in each period; first: (n, m) of the sensors in service alone."""

    planned: FloatArray
    failed: FloatArray
    first: FloatArray


def chains(fresh: NewLives, rule: Ways, edges: FloatArray) -> list[Chains]:
    """What follows a replacement, for each kind of new sensor, in periods between `edges` (m + 1,) days."""
    middle = 0.5 * (edges[1:] + edges[:-1])
    age = np.maximum(edges[None, :] - middle[:, None], 0.0)
    days = np.linspace(0.0, edges[-1], int(np.ceil(edges[-1])) + 1)
    found = []
    for kind in range(len(fresh.kinds)):
        one = slice(kind, kind + 1)
        begin, stop = rule.new_begin[one], rule.new_stop[one]
        planned, failed = replaced_by(
            days[None, :],
            fresh.grid_days,
            (fresh.soft[one], fresh.sudden[one]),
            days[None, :] + begin[:, None],
            (begin, stop),
            rule.missed,
        )
        by_swap, by_end = (np.diff(np.interp(age, days, by[0]), axis=1) for by in (planned, failed))
        found.append(Chains(by_swap, by_end, np.linalg.inv(np.eye(middle.size) - by_swap - by_end)))
    return found


def flows(
    table: LifeTable,
    where: Positions,
    rows: IntArray,
    fresh: NewLives,
    rule: Ways,
    edges: FloatArray,
    then: list[Chains],
) -> Flows:
    """Expected replacements of positions `rows`, by the distributions of `table` (the forecast, or a draw of it)."""
    soft, sudden = life_rows(where, rows, table, fresh)
    at_once = rule.stop[rows] <= 0
    soft[at_once] = 0.0
    sudden[at_once] = 0.0
    times = np.broadcast_to(edges, (rows.size, edges.size))
    look = rule.next_visit[where.site_code[rows]] + where.notice[rows, None]
    by_swap, by_end = replaced_by(times, table.grid_days, (soft, sudden), look, (rule.begin[rows], rule.stop[rows]), rule.missed)
    planned, failed = (np.diff(by[:, 1:], axis=1, prepend=0.0) for by in (by_swap, by_end))
    first = planned + failed
    for kind in np.unique(where.kind[rows]):
        mine = where.kind[rows] == kind
        every = first[mine] @ then[kind].every
        planned[mine] += every @ then[kind].planned
        failed[mine] += every @ then[kind].failed
    return Flows(planned, failed, first)


def wasted_days(table: LifeTable, where: Positions, rows: IntArray, fresh: NewLives, rule: Ways, end: float) -> FloatArray:
    """Life (n,) that planned swaps of the sensors in service throw away until day `end` (days, expected)."""
    soft, sudden = life_rows(where, rows, table, fresh)
    stop = rule.stop[rows, None]
    last = np.full((rows.size, 1), end)
    look = np.minimum(last, stop) + where.notice[rows, None]
    ways_ = (rule.begin[rows], rule.stop[rows])
    before, _ = replaced_by(np.minimum(last, stop - 1e-6), table.grid_days, (soft, sudden), look, ways_, rule.missed)
    at_end, _ = replaced_by(last, table.grid_days, (soft, sudden), look, ways_, rule.missed)
    service = time_in_service(table.grid_days, soft + sudden)
    alive = np.maximum(1.0 - at_each(table.grid_days, soft + sudden, stop), 1e-9)
    rest = (service[:, -1:] - at_each(table.grid_days, service, stop)) / alive
    return (before * where.notice[rows, None] + np.maximum(at_end - before, 0.0) * rest)[:, 0]
