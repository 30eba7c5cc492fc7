"""Adding up replacements and money over sensors and over draws of what they share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.counts import TINY, count_distribution
from sensorhealth.decide.flows import Chains, Expected, Flows, by_group, on_visits
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.schemes import Ways
from sensorhealth.decide.totals import GroupSums, budget_table

if TYPE_CHECKING:
    from sensorhealth.decide.budget import Replacing
    from sensorhealth.decide.parts import Part

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
Moments = dict[str, tuple[FloatArray, FloatArray, FloatArray]]
_EXACT = 4_000  # largest group whose monthly counts are found exactly
_EXACT_SUM = 64  # largest group whose cumulative counts are found exactly
_NOTHING = 1e-6  # expected replacements of a generation that are left out


class Tally:
    """Distributions of counts and money by group and month, and cumulative, mixed over the tables that are added.

    ready: positions and how they are replaced. code: (n,) group of each position; groups: how many there are. part: the
    positions that the tables speak of where these are not all.
    """

    def __init__(self, ready: Replacing, policy: Policy, code: IntArray, groups: int, part: Part | None = None) -> None:
        every = slice(None) if part is None else part.rows
        self.ready, self.policy, self.code, self.groups = ready, policy, code[every], groups
        where = ready.where
        self.cost, self.kind, self.site = where.unit_cost[every], where.kind[every], where.site_code[every]
        self.weight = np.ones(code.size) if part is None else part.weight
        self.months = ready.calendar.price.size
        self.size = np.bincount(code, minlength=groups)
        self.whole = self.size == np.bincount(self.code[self.weight == 1.0], minlength=groups)
        self.draws = 0
        self.moments: dict[str, list[FloatArray]] = {name: [] for name in ("count", "cost", "count_sum", "cost_sum")}
        self.exact: dict[tuple[str, int], FloatArray] = {}
        self._orders: dict[tuple[int, int], tuple[IntArray, IntArray, IntArray, FloatArray]] = {}

    def moments_of(self, expected: Expected) -> list[Moments]:
        """Moments of each position's counts and money in each block: the same for every way of grouping the positions."""
        return [self._moments(rows, flow, expected.then) for rows, flow in expected.blocks]

    def add(self, expected: Expected, rule: Ways, of_each: list[Moments], visits: FloatArray | None = None) -> None:
        """Add what one table of life distributions leads to: the forecast, or one draw of what the sensors share.

        rule: how positions are replaced in that world. of_each: as from `moments_of`. visits: (g, m) what its visits cost;
        None = not counted.
        """
        self.draws += 1
        sums = {name: np.zeros((3, self.groups, self.months)) for name in self.moments}
        for (rows, _), own in zip(expected.blocks, of_each):
            order, present, start, heavy = self._sorted(rows)
            for name, values in own.items():
                every = np.take(np.stack(values), order, axis=1)
                every *= heavy
                sums[name][:, present] += np.add.reduceat(every, start, axis=1)
        if visits is not None:
            sums["cost"][0] += visits
            sums["cost_sum"][0] += visits.cumsum(axis=1)
        for name, total in sums.items():
            self.moments[name].append(total)
        if (self.whole & (self.size <= _EXACT)).any():
            self._add_exact(expected, rule)

    def _sorted(self, rows: IntArray) -> tuple[IntArray, IntArray, IntArray, FloatArray]:
        """Order of `rows` by group, the groups present and where each begins, and the weights (k, 1) in that order."""
        block = int(rows[0]) if rows.size else 0, rows.size  # blocks are the same in every world
        if block not in self._orders:
            order = np.argsort(self.code[rows], kind="stable")
            present, start = np.unique(self.code[rows][order], return_index=True)
            self._orders[block] = order, present, start, self.weight[rows][order, None]
        return self._orders[block]

    def _moments(self, rows: IntArray, flow: Flows, then: list[Chains]) -> Moments:
        """Mean, second and third central moments (k, m) of each position's count and money, monthly and cumulative."""
        price = self.ready.calendar.price
        planned = self.cost[rows, None] + self.policy.swap_cost
        failed = planned + self.policy.failure_cost
        ones = np.ones_like(planned)
        found = {}
        for name, c_p, c_f, rise in (("count", ones, ones, np.ones_like(price)), ("cost", planned, failed, price)):
            raw = [flow.planned * (c_p * rise) ** k + flow.failed * (c_f * rise) ** k for k in (1, 2, 3)]
            found[name] = _central(raw[0], raw[1], raw[2])
            found[f"{name}_sum"] = self._cumulative(rows, raw, (c_p, c_f, rise), then)
        return found

    def _cumulative(
        self, rows: IntArray, raw: list[FloatArray], prices: tuple[FloatArray, ...], chains: list[Chains]
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The same of the sums from the first month on; a replacement and its successors are dependent."""
        c_p, c_f, rise = prices
        planned, failed = c_p * rise, c_f * rise
        kinds = list(by_group(self.kind[rows]))

        def following(weight: FloatArray) -> tuple[FloatArray, FloatArray]:
            """Later swaps and ends, weighted by what went before."""
            found = np.empty_like(weight), np.empty_like(weight)
            for kind, mine in kinds:
                for values, every in zip(found, (chains[kind].all_planned[:, : self.months], chains[kind].all_failed)):
                    values[mine] = weight[mine] @ every
            return found

        swaps, ends = following(raw[0])
        once = swaps * planned + ends * failed
        squares = swaps * planned**2 + ends * failed**2
        (twice_p, twice_f), (again_p, again_f) = following(raw[1]), following(once)
        e2 = raw[1] + 2.0 * once
        e3 = raw[2] + 3.0 * (twice_p * planned + twice_f * failed + squares) + 6.0 * (again_p * planned + again_f * failed)
        return _central(raw[0].cumsum(axis=1), e2.cumsum(axis=1), e3.cumsum(axis=1))

    def _add_exact(self, expected: Expected, rule: Ways) -> None:
        """Add the exact distributions of the counts of groups that are small enough."""
        blocks = expected.blocks
        rows = np.concatenate([part for part, _ in blocks])
        monthly = np.clip(np.concatenate([flow.planned + flow.failed for _, flow in blocks]), 0.0, 1.0)
        first = np.concatenate([flow.first for _, flow in blocks])
        for group in np.flatnonzero(self.whole & (self.size <= _EXACT)):
            mine = rows[self.code[rows] == group]
            chosen = self.code[rows] == group
            self._accumulate(("count", int(group)), monthly[None, chosen])
            if self.size[group] <= _EXACT_SUM:
                self._accumulate(("count_sum", int(group)), self._at_least(mine, first[chosen], expected.then, rule))

    def _at_least(self, rows: IntArray, first: FloatArray, chains: list[Chains], rule: Ways) -> FloatArray:
        """Chance (k, n, m) of at least 1, 2, ... replacements from the first month on."""
        levels = [first]
        kinds, sites = list(by_group(self.kind[rows])), self.site[rows]
        while len(levels) < 12 and levels[-1].sum() > _NOTHING:
            planned, failed = np.empty((len(first), chains[0].planned.shape[1])), np.empty_like(first)
            for kind, mine in kinds:
                then = chains[kind]
                planned[mine], failed[mine] = levels[-1][mine] @ then.planned, levels[-1][mine] @ then.failed
            levels.append(on_visits(planned, rule, sites) + failed)
        return np.clip(np.cumsum(np.stack(levels), axis=2), 0.0, 1.0)

    def _accumulate(self, name: tuple[str, int], at_least: FloatArray) -> None:
        """Add the distribution of sums of independent counts (k, n, m), on the counts that can happen at all."""
        each = at_least.sum(axis=0)
        squares = np.tensordot(2.0 * np.arange(at_least.shape[0]) + 1.0, at_least, axes=1)
        mean, variance = each.sum(axis=0), np.maximum(squares - each**2, 0.0).sum(axis=0)
        most = at_least.shape[0] * at_least.shape[1]
        reach = 9.5 * np.sqrt(variance) + 12.0
        size = int(min(most, np.ceil(2.0 * reach.max(initial=0.0)))) + 1
        low = np.clip(np.floor(mean - reach), 0, max(most - size + 1, 0)).astype(int)
        residues = count_distribution(at_least, size - 1)
        where = low[:, None] + np.arange(size)
        values = np.take_along_axis(residues, where % size, axis=1)
        total = self.exact.setdefault(name, np.zeros((self.months, most + size + 1)))
        if total.shape[1] < most + size + 1:
            total = self.exact[name] = np.pad(total, ((0, 0), (0, most + size + 1 - total.shape[1])))
        total[np.arange(self.months)[:, None], where] += values

    def sums(self, names: list[str], missing: dict[str, FloatArray] | None = None) -> GroupSums:
        """What was added up, with what a part of the positions lacks put right; missing: see `parts.Missing`."""
        moments = {name: np.stack(values) for name, values in self.moments.items()}
        for name, lacking in (missing or {}).items():
            _put_right(moments[name], np.where(self.whole[:, None], 0.0, lacking))
        return GroupSums(names, self.ready.calendar.first, moments, self.exact)

    def table(self, names: list[str], missing: dict[str, FloatArray] | None = None) -> pd.DataFrame:
        """One row per group and month (nomenclature budget); missing: see `parts.Missing`."""
        return budget_table(self.sums(names, missing))


def _put_right(moments: FloatArray, lacking: FloatArray) -> None:
    """Add what is lacking (g, m) to the means of moments (d, 3, g, m), in place; spread grows along with it."""
    before = np.maximum(moments[:, 0], TINY)
    moments[:, 0] = np.maximum(moments[:, 0] + lacking, 0.0)
    moments[:, 1:] *= np.clip(moments[:, 0] / before, 0.5, 2.0)[:, None]


def _central(first: FloatArray, second: FloatArray, third: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, variance and third central moment from the moments about zero."""
    return first, second - first**2, third - 3.0 * first * second + 2.0 * first**3
