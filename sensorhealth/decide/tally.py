"""Adding up replacements and money over sensors and over draws of what they share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.counts import (
    count_distribution,
    count_quantile,
    mixture_quantile,
    refined_normal_cdf,
    sum_cdf,
)
from sensorhealth.decide.flows import Chains, Flows, on_visits
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.schemes import Ways

if TYPE_CHECKING:
    from sensorhealth.decide.budget import Expected, Replacing

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
LEVELS = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
_EXACT = 4_000  # largest group whose monthly counts are found exactly
_EXACT_SUM = 64  # largest group whose cumulative counts are found exactly


class Tally:
    """Distributions of counts and money by group and month, and cumulative, mixed over the tables that are added.

    ready: positions and how they are replaced. code: (n,) group of each position; groups: how many there are.
    """

    def __init__(self, ready: Replacing, policy: Policy, code: IntArray, groups: int) -> None:
        self.ready, self.policy, self.code, self.groups = ready, policy, code, groups
        self.months = ready.calendar.price.size
        self.size = np.bincount(code, minlength=groups)
        self.draws = 0
        self.moments: dict[str, list[FloatArray]] = {name: [] for name in ("count", "cost", "count_sum", "cost_sum")}
        self.exact: dict[tuple[str, int], FloatArray] = {}

    def add(self, expected: Expected, rule: Ways, visits: FloatArray | None = None) -> None:
        """Add what one table of life distributions leads to: the forecast, or one draw of what the sensors share.

        rule: how positions are replaced in that world. visits: (g, m) what its visits cost; None = not counted.
        """
        self.draws += 1
        sums = {name: np.zeros((3, self.groups, self.months)) for name in self.moments}
        for rows, flow in expected.blocks:
            order = np.argsort(self.code[rows], kind="stable")
            present, start = np.unique(self.code[rows][order], return_index=True)
            for name, values in self._moments(rows, flow, expected.then).items():
                for power in range(3):
                    sums[name][power, present] += np.add.reduceat(values[power][order], start, axis=0)
        if visits is not None:
            sums["cost"][0] += visits
            sums["cost_sum"][0] += visits.cumsum(axis=1)
        for name, total in sums.items():
            self.moments[name].append(total)
        if self.size.min(initial=_EXACT + 1) <= _EXACT:
            self._add_exact(expected, rule)

    def _moments(self, rows: IntArray, flow: Flows, then: list[Chains]) -> dict[str, tuple[FloatArray, FloatArray, FloatArray]]:
        """Mean, second and third central moments (k, m) of each position's count and money, monthly and cumulative."""
        price = self.ready.calendar.price
        planned = self.ready.where.unit_cost[rows, None] + self.policy.swap_cost
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
        after = [np.empty_like(raw[0]) for _ in range(4)]
        kinds = self.ready.where.kind[rows]
        for kind in np.unique(kinds):
            mine = kinds == kind
            then = chains[kind]

            def next_cost(weight: FloatArray, power: int, mine: NDArray[np.bool_] = mine, then=then) -> FloatArray:  # type: ignore[no-untyped-def]
                cost_p, cost_f = (c_p[mine] * rise) ** power, (c_f[mine] * rise) ** power
                return (weight @ then.all_planned) * cost_p + (weight @ then.all_failed) * cost_f

            first, second = raw[0][mine], raw[1][mine]
            once = next_cost(first, 1)
            after[0][mine] = once
            after[1][mine] = next_cost(second, 1)
            after[2][mine] = next_cost(first, 2)
            after[3][mine] = next_cost(once, 1)
        e2 = raw[1] + 2.0 * after[0]
        e3 = raw[2] + 3.0 * (after[1] + after[2]) + 6.0 * after[3]
        return _central(raw[0].cumsum(axis=1), e2.cumsum(axis=1), e3.cumsum(axis=1))

    def _add_exact(self, expected: Expected, rule: Ways) -> None:
        """Add the exact distributions of the counts of groups that are small enough."""
        blocks = expected.blocks
        rows = np.concatenate([part for part, _ in blocks])
        monthly = np.clip(np.concatenate([flow.planned + flow.failed for _, flow in blocks]), 0.0, 1.0)
        first = np.concatenate([flow.first for _, flow in blocks])
        for group in np.flatnonzero(self.size <= _EXACT):
            mine = rows[self.code[rows] == group]
            chosen = self.code[rows] == group
            self._accumulate(("count", int(group)), monthly[None, chosen])
            if self.size[group] <= _EXACT_SUM:
                self._accumulate(("count_sum", int(group)), self._at_least(mine, first[chosen], expected.then, rule))

    def _at_least(self, rows: IntArray, first: FloatArray, chains: list[Chains], rule: Ways) -> FloatArray:
        """Chance (k, n, m) of at least 1, 2, ... replacements from the first month on."""
        levels = [first]
        kinds, sites = self.ready.where.kind[rows], self.ready.where.site_code[rows]
        while len(levels) < 12 and levels[-1].max(initial=0.0) > 1e-9:
            planned, failed = np.empty_like(first), np.empty_like(first)
            for kind in np.unique(kinds):
                mine, then = kinds == kind, chains[kind]
                planned[mine], failed[mine] = levels[-1][mine] @ then.planned, levels[-1][mine] @ then.failed
            levels.append(on_visits(planned, rule, sites) + failed)
        return np.clip(np.cumsum(np.stack(levels), axis=2), 0.0, 1.0)

    def _accumulate(self, name: tuple[str, int], at_least: FloatArray) -> None:
        """Add the distribution of sums of independent counts (k, n, m), on the counts that can happen at all."""
        mean, variance = at_least.sum(axis=(0, 1)), (at_least * (1.0 - at_least)).sum(axis=(0, 1))
        most = at_least.shape[0] * at_least.shape[1]
        reach = 9.5 * np.sqrt(variance * at_least.shape[0] ** 2) + 12.0
        size = int(min(most, np.ceil(2.0 * reach.max(initial=0.0)))) + 1
        low = np.clip(np.floor(mean - reach), 0, max(most - size + 1, 0)).astype(int)
        residues = count_distribution(at_least, size - 1)
        where = low[:, None] + np.arange(size)
        values = np.take_along_axis(residues, where % size, axis=1)
        total = self.exact.setdefault(name, np.zeros((self.months, most + size + 1)))
        if total.shape[1] < most + size + 1:
            total = self.exact[name] = np.pad(total, ((0, 0), (0, most + size + 1 - total.shape[1])))
        total[np.arange(self.months)[:, None], where] += values

    def _quantiles(self, name: str, level: float) -> FloatArray:
        """Quantile (g, m) of one of the quantities."""
        mean, variance, third = np.moveaxis(np.stack(self.moments[name]), 1, 0)
        found = np.empty(mean.shape[1:])
        whole = name.startswith("count")
        cdf = refined_normal_cdf if whole else sum_cdf
        variance = np.maximum(variance, 0.0)
        reach = 12.0 * np.sqrt(variance.max(axis=0)) + 10.0
        for group in range(self.groups):
            if (name, group) in self.exact:
                found[group] = count_quantile(self.exact[name, group] / self.draws, level)
                continue
            parts = mean[:, group], variance[:, group], third[:, group]
            found[group] = mixture_quantile(
                lambda x, parts=parts: cdf(x, *parts).mean(axis=0),
                level,
                np.minimum(mean[:, group].min(axis=0) - reach[group], 0.0),
                mean[:, group].max(axis=0) + reach[group],
                whole,
            )
        return np.maximum(found, 0.0)

    def table(self, names: list[str]) -> pd.DataFrame:
        """One row per group and month (nomenclature budget)."""
        months = pd.to_datetime(np.tile(self.ready.calendar.first, self.groups))
        columns: dict[str, object] = {"month": months.astype("datetime64[ns]")}
        columns["group"] = np.repeat(np.array(names, dtype=object), self.months)
        for quantity, start in (("count", ""), ("cost", ""), ("count_sum", "cumulative_"), ("cost_sum", "cumulative_")):
            what = quantity.removesuffix("_sum")
            mean = np.stack(self.moments[quantity])[:, 0].mean(axis=0)
            columns[f"{start}expected_{what}"] = mean.ravel()
            for label, level in LEVELS.items():
                columns[f"{start}{label}_{what}"] = self._quantiles(quantity, level).ravel()
        return pd.DataFrame(columns)


def _central(first: FloatArray, second: FloatArray, third: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, variance and third central moment from the moments about zero."""
    return first, second - first**2, third - 3.0 * first * second + 2.0 * first**3
