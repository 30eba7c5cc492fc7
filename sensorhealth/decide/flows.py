"""Expected replacements in each period, of sensors in service and of those that replace them."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.newlives import LifeTable, NewLives
from sensorhealth.decide.positions import Known
from sensorhealth.decide.replaced import Alone, Looks, Replaced, alone, at_all, at_each, replaced_by
from sensorhealth.decide.replacement import time_in_service
from sensorhealth.decide.schemes import Ways
from sensorhealth.decide.visiting import further

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


class Chains(NamedTuple):
    """What follows a replacement, for one kind: chance that a sensor put in during period j ends in period k.

    planned (m, k), failed (m, m): by a planned swap, also in periods after the last edge, by an end in service. all_planned,
    all_failed: expected replacements of all later generations, (I - planned - failed)^-1 times the two.
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


class Expected(NamedTuple):
    """What one table of life distributions leads to: what follows a replacement by kind, and blocks of positions with it."""

    then: list[Chains]
    blocks: list[tuple[IntArray, Flows]]


def chains(fresh: NewLives, rule: Ways, edges: FloatArray) -> list[Chains]:
    """What follows a replacement, for each kind of new sensor, in periods between `edges` (m + 1,) days."""
    periods, edges = edges.size - 1, further(edges, rule.beyond)
    middle = 0.5 * (edges[1:] + edges[:-1])
    age = np.maximum(edges[None, :] - middle[:, None], 0.0)
    days = np.linspace(0.0, edges[-1], int(np.ceil(edges[-1])) + 1)
    lives = alone(fresh.soft, fresh.sudden)
    look = Looks(days + rule.new_notice[:, None], np.arange(len(fresh.kinds)))
    found_by = replaced_by(days, fresh.grid_days, lives, look, (rule.new_begin, rule.new_stop), rule.new_missed)
    shape = len(fresh.kinds), *age.shape
    by_swap, by_end = (
        np.diff(at_all(days, by, age.ravel()).reshape(shape), axis=2) for by in (found_by.planned, found_by.failed)
    )
    every = np.linalg.inv(np.eye(middle.size) - by_swap - by_end)
    parts = by_swap, by_end[..., :periods], every @ by_swap, (every @ by_end)[..., :periods]
    return [Chains(*(part[:periods] for part in own)) for own in zip(*parts)]


def flows(table: LifeTable, known: Known, rows: IntArray, rule: Ways, edges: FloatArray, then: list[Chains]) -> Flows:
    """Expected replacements of positions `rows`, by the distributions of `table` (the forecast, or a draw of it)."""
    where = known.where
    lives, rule = known.lives(table, rows), rule.of(rows)
    return followed(lives, table.grid_days, where.kind[rows], where.site_code[rows], rule, edges, then)


def followed(
    lives: Alone, days: FloatArray, kind: IntArray, site: IntArray, rule: Ways, edges: FloatArray, then: list[Chains]
) -> Flows:
    """The same of the n positions that `rule` is of, by their life distributions at `days`; kind, site: (n,)."""
    by = _by_edges(lives, days, site, rule, edges)
    at_once = rule.stop <= 0
    by.planned[at_once], by.failed[at_once] = 1.0, 0.0
    planned, failed = (np.diff(values[:, 1:], axis=1, prepend=0.0) for values in by[:2])
    first = planned + failed
    later = np.zeros((len(planned), then[0].planned.shape[1]))
    for number, mine in by_group(kind):
        later[mine] = first[mine] @ then[number].all_planned
        failed[mine] += first[mine] @ then[number].all_failed
    return Flows(planned + on_visits(later, rule, site), failed, first)


def by_group(group: IntArray) -> Iterator[tuple[int, IntArray | slice]]:
    """Each of the groups (n,) and where it is: a slice where that lies in one piece."""
    order = np.argsort(group, kind="stable")
    bounds = np.flatnonzero(np.r_[True, np.diff(group[order]) != 0, True][: group.size + 1])
    for begin, end in pairwise(bounds.tolist()):
        mine = order[begin:end]
        whole = mine[-1] - mine[0] + 1 == mine.size
        yield int(group[mine[0]]), slice(int(mine[0]), int(mine[-1]) + 1) if whole else mine


def on_visits(evenly: FloatArray, rule: Ways, site: IntArray) -> FloatArray:
    """Expected swaps (n, m) on the visits that are made, from those spread `evenly` (n, k); site: (n,)."""
    if rule.release is None:
        return evenly[:, : rule.cover.shape[1] - 1]
    found = np.empty((len(evenly), rule.release.shape[2]))
    for number, mine in by_group(site):
        found[mine] = evenly[mine] @ rule.release[number]
    return found


def _by_edges(lives: Alone, days: FloatArray, site: IntArray, rule: Ways, edges: FloatArray) -> Replaced:
    """What happens to positions at `site` (n,), which `rule` is of, by each of the edges."""
    notice, code = np.unique(rule.notice, return_inverse=True)
    groups, group = np.unique(site * notice.size + code, return_inverse=True)
    place, at = np.divmod(groups, max(notice.size, 1))
    look = Looks(rule.cover[place] + notice[at, None] * rule.known[place], group)
    return replaced_by(edges, days, lives, look, (rule.begin, rule.stop), rule.missed)


def wasted_days(table: LifeTable, known: Known, rows: IntArray, rule: Ways, edges: FloatArray) -> FloatArray:
    """Life (n,) that planned swaps of the sensors in service throw away until the last edge (days, expected)."""
    if not (np.isfinite(rule.begin[rows]).any() or np.isfinite(rule.stop[rows]).any()):
        return np.zeros(rows.size)
    lives = known.lives(table, rows)
    by = _by_edges(lives, table.grid_days, known.where.site_code[rows], rule.of(rows), edges)
    foreseen, planned = by.foreseen[:, -1], by.planned[:, -1]
    wasted = foreseen * rule.notice[rows]
    stopped = np.flatnonzero(planned != foreseen)
    total, stop = lives.total[stopped], rule.stop[rows[stopped], None]
    service = time_in_service(table.grid_days, total)
    alive = np.maximum(1.0 - at_each(table.grid_days, total, stop), 1e-9)
    rest = (service[:, -1:] - at_each(table.grid_days, service, stop)) / alive
    wasted[stopped] += (planned - foreseen)[stopped] * rest[:, 0]
    return wasted
