"""Expected replacements in each period, of sensors in service and of those that replace them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.newlives import LifeTable, NewLives
from sensorhealth.decide.positions import Known, Positions
from sensorhealth.decide.replaced import Alone, Looks, Replaced, alone, at_each, replaced_by
from sensorhealth.decide.replacement import time_in_service
from sensorhealth.decide.schemes import Ways

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


class Chains(NamedTuple):
    """What follows a replacement, for one kind: chance (m, m) that a sensor put in during period j ends in period k.

    planned, failed: by a planned swap, by an end in service. all_planned, all_failed: expected replacements (m, m) of
    all later generations in period k, (I - planned - failed)^-1 times the two.
    """

    planned: FloatArray
    failed: FloatArray
    all_planned: FloatArray
    all_failed: FloatArray


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
    lives = alone(fresh.soft, fresh.sudden)
    look = Looks(days + rule.new_notice[:, None], np.arange(len(fresh.kinds)))
    found_by = replaced_by(days, fresh.grid_days, lives, look, (rule.new_begin, rule.new_stop), rule.new_missed)
    found = []
    for planned, failed in zip(found_by.planned, found_by.failed):
        by_swap, by_end = (np.diff(np.interp(age, days, by), axis=1) for by in (planned, failed))
        every = np.linalg.inv(np.eye(middle.size) - by_swap - by_end)
        found.append(Chains(by_swap, by_end, every @ by_swap, every @ by_end))
    return found


def flows(table: LifeTable, known: Known, rows: IntArray, rule: Ways, edges: FloatArray, then: list[Chains]) -> Flows:
    """Expected replacements of positions `rows`, by the distributions of `table` (the forecast, or a draw of it)."""
    where = known.where
    by = _by_edges(table, where, rows, rule, edges, known.lives(table, rows))
    at_once = rule.stop[rows] <= 0
    by.planned[at_once], by.failed[at_once] = 1.0, 0.0
    planned, failed = (np.diff(values[:, 1:], axis=1, prepend=0.0) for values in by[:2])
    first = planned + failed
    later = np.zeros_like(planned)
    for kind in np.unique(where.kind[rows]):
        mine = where.kind[rows] == kind
        later[mine] = first[mine] @ then[kind].all_planned
        failed[mine] += first[mine] @ then[kind].all_failed
    return Flows(planned + on_visits(later, rule, where.site_code[rows]), failed, first)


def on_visits(evenly: FloatArray, rule: Ways, site: IntArray) -> FloatArray:
    """Expected swaps (n, m) on the visits that are made, from those spread `evenly`; site: (n,)."""
    if rule.release is None:
        return evenly
    found = np.empty_like(evenly)
    for number in np.unique(site):
        mine = site == number
        found[mine] = evenly[mine] @ rule.release[number]
    return found


def _by_edges(table: LifeTable, where: Positions, rows: IntArray, rule: Ways, edges: FloatArray, lives: Alone) -> Replaced:
    """What happens to positions `rows` by each of the edges."""
    notice, code = np.unique(rule.notice[rows], return_inverse=True)
    groups, group = np.unique(where.site_code[rows] * notice.size + code, return_inverse=True)
    site, at = np.divmod(groups, max(notice.size, 1))
    look = Looks(rule.cover[site] + notice[at, None] * rule.known[site], group)
    return replaced_by(edges, table.grid_days, lives, look, (rule.begin[rows], rule.stop[rows]), rule.missed[rows])


def wasted_days(table: LifeTable, known: Known, rows: IntArray, rule: Ways, edges: FloatArray) -> FloatArray:
    """Life (n,) that planned swaps of the sensors in service throw away until the last edge (days, expected)."""
    lives = known.lives(table, rows)
    by = _by_edges(table, known.where, rows, rule, edges, lives)
    foreseen, planned = by.foreseen[:, -1], by.planned[:, -1]
    wasted = foreseen * rule.notice[rows]
    stopped = np.flatnonzero(planned != foreseen)
    total, stop = lives.total[stopped], rule.stop[rows[stopped], None]
    service = time_in_service(table.grid_days, total)
    alive = np.maximum(1.0 - at_each(table.grid_days, total, stop), 1e-9)
    rest = (service[:, -1:] - at_each(table.grid_days, service, stop)) / alive
    wasted[stopped] += (planned - foreseen)[stopped] * rest[:, 0]
    return wasted
