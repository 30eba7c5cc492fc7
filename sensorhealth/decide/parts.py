"""Very many positions: possible worlds are walked through with a random part of them, scaled up, and the forecast with all.

A world moves the sensors of a kind together, and a few thousand of them show how far; sixty worlds of a million sensors would
show the same and take hours. What a part gets wrong in the mean is known, since the forecast itself is walked through with all
positions and with the part, and is put right; what is left is how the error differs from world to world.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.positions import Positions
from sensorhealth.decide.texts import codes

if TYPE_CHECKING:
    from sensorhealth.decide.budget import Replacing
    from sensorhealth.decide.plan import FleetPlan

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
ObjectArray = NDArray[np.object_]

MANY = 5_000  # lives from which on a part of them is walked through
WALKED = 3_000  # how many these are, and
FEWEST = 10  # at least of each technology at each site
PART_SEED = 20260301


@dataclass(frozen=True)
class Part:
    """Positions rows (k,) that speak for all, each for `weight` (k,) of them; row: theirs in the worlds' life distributions."""

    rows: IntArray
    weight: FloatArray
    row: IntArray


def drawn_lives(lives: pd.DataFrame, rng: np.random.Generator, walked: int = WALKED) -> IntArray:
    """Rows of `lives` (site, technology) with which worlds are walked through: all, or a random part where they are many.

    The part, of some `walked`, is spread over technologies and sites.
    """
    if len(lives) <= _many(walked):
        return np.arange(len(lives))
    group, size = _groups(lives["site"].to_numpy(dtype=object), lives["technology"].to_numpy(dtype=object))
    return np.flatnonzero(_rank(group, rng) < _quota(size, walked)[group])


def _many(walked: int) -> int:
    return MANY * walked // WALKED


def _quota(size: FloatArray, walked: int) -> FloatArray:
    return np.maximum(np.ceil(walked * size / size.sum()), FEWEST)


def _rank(group: IntArray, rng: np.random.Generator) -> IntArray:
    """Place (n,) of each in a random order of its group, from 0."""
    order = np.lexsort((rng.random(group.size), group))
    rank = np.empty(group.size, dtype=np.intp)
    rank[order] = np.arange(group.size) - np.searchsorted(group[order], group[order])
    return rank


def part_by_place(where: Positions, kept: NDArray[np.bool_], walked: int = WALKED) -> Part | None:
    """A random part of some `walked` positions, spread over technologies and sites, and all of those to be `kept` (n,); None
    where positions are not many. Their rows are those of the forecast."""
    if where.row.size <= _many(walked):
        return None
    group, size = _groups(where.site, where.technology, ~kept)
    rank = _rank(2 * group + kept, np.random.default_rng(PART_SEED))
    rows = np.flatnonzero(kept | (rank < _quota(size, walked)[group]))
    met = np.bincount(group[rows], ~kept[rows], size.size)
    weight = np.where(kept[rows], 1.0, (size / np.maximum(met, 1.0))[group[rows]])
    return Part(rows, weight, where.row[rows])


def part_of(where: Positions, ids: ObjectArray, drawn: ObjectArray) -> Part | None:
    """The positions that a world's life distributions `drawn` speak of, `ids` being the forecast's; None where they are all.

    Positions without a life distribution of their own are all kept. Where a site has none of a technology drawn, those of
    other sites speak for it.
    """
    if drawn.size >= ids.size and bool((drawn[: ids.size] == ids).all()):
        return None
    place = np.append(pd.Index(drawn).get_indexer(pd.Index(ids)), -1)
    row = np.where(where.row >= 0, place[where.row], -1)
    kept, alone = row >= 0, where.row < 0
    group, size = _groups(where.site, where.technology, ~alone)
    met = np.bincount(group[kept], minlength=size.size)
    technology, _ = codes(where.technology)[::-1]
    weight = np.where(met > 0, size / np.maximum(met, 1), 0.0)[group]
    lost = np.bincount(technology[~alone & (met == 0)[group]], minlength=technology.max(initial=-1) + 1)
    told = np.bincount(technology[kept], weight[kept], lost.size)
    weight = weight * (1.0 + lost / np.maximum(told, 1e-9))[technology]
    rows = np.flatnonzero(kept | alone)
    return Part(rows, np.where(alone, 1.0, weight)[rows], row[rows])


class Missing(NamedTuple):
    """What the part of the positions lacks in the mean: planned swaps and ends in service (2,) over all months; for each way
    of grouping the counts and money (g, m) by month and from the first month on, under their names in `tally.Tally`.
    """

    replaced: FloatArray
    groups: dict[str, dict[str, FloatArray]]


def missing(worlds: list[Replacing], part: Part, fleet_plan: FleetPlan, groups: dict[str, tuple[IntArray, int]]) -> Missing:
    """All positions less the part scaled up, by the plan's forecast, over the `worlds` of visits.

    groups: group (n,) of each position and number of groups, for each way of grouping.
    """
    where, table = worlds[0].where, fleet_plan.remaining
    every = np.arange(where.row.size)
    replaced = np.zeros(2)
    found: dict[str, dict[str, FloatArray]] = {name: {} for name in groups}
    for ready in worlds:
        walks = ((ready, every, np.ones(every.size)), (of_part(ready, part.rows, where.row[part.rows]), part.rows, -part.weight))
        for walked, rows_of, weight in walks:
            for rows, flow in walked.walk(table):
                share = weight[rows, None] / len(worlds)
                planned, failed = share * flow.planned, share * flow.failed
                replaced += planned.sum(), failed.sum()
                swap = where.unit_cost[rows_of[rows], None] + fleet_plan.policy.swap_cost
                cost = (planned * swap + failed * (swap + fleet_plan.policy.failure_cost)) * ready.calendar.price
                for name, (code, count) in groups.items():
                    for what, values in (("count", planned + failed), ("cost", cost)):
                        by_group = found[name].setdefault(what, np.zeros((count, cost.shape[1])))
                        _add_by_group(by_group, code[rows_of[rows]], values)
    for name, sums in found.items():
        found[name] = sums | {f"{what}_sum": values.cumsum(axis=1) for what, values in sums.items()}
    return Missing(replaced, found)


def _add_by_group(total: FloatArray, code: IntArray, values: FloatArray) -> None:
    """Add values (k, m) to the rows of `total` that `code` (k,) names."""
    if (code[1:] < code[:-1]).any():
        order = np.argsort(code, kind="stable")
        code, values = code[order], values[order]
    present, start = np.unique(code, return_index=True)
    if present.size:
        total[present] += np.add.reduceat(values, start, axis=0)


def of_part(ready: Replacing, rows: IntArray, row: IntArray) -> Replacing:
    """The replacements of some positions alone; row: theirs in the life distributions."""
    return replace(ready, known=ready.known.part(rows, row), rule=ready.rule.of(rows))


def _groups(site: ObjectArray, technology: ObjectArray, counted: NDArray[np.bool_] | None = None) -> tuple[IntArray, FloatArray]:
    """Group (n,) of each by site and technology, and the size of each group (of those counted)."""
    sites, names = codes(site)[1], codes(technology)
    _, group = np.unique(sites * (len(names[0]) + 1) + names[1], return_inverse=True)
    weights = None if counted is None else counted.astype(float)
    return group, np.bincount(group, weights, minlength=group.max(initial=-1) + 1).astype(float)
