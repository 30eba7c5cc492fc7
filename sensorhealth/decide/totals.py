"""Budgets from what replacements and money add up to: quantiles of mixtures over draws, for one fleet or the shards of one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.counts import (
    TINY,
    Cdf,
    count_quantile,
    mixture_quantile,
    refined_normal_cdf,
    sum_cdf,
    sum_cdf_roughly,
)

FloatArray = NDArray[np.float64]
LEVELS = {"p10": 0.1, "p50": 0.5, "p90": 0.9}


@dataclass(frozen=True)
class GroupSums:
    """Replacements and money of g groups in m months, as they add up over d draws.

    names: of the groups. first: (m,) first days of the months. moments: name of a quantity -> (d, 3, g, m) mean, variance and
    third central moment in each draw. exact: (quantity, group) -> (m, k) distributions of counts, summed over the draws, of
    groups that are small enough.
    """

    names: list[str]
    first: NDArray[np.datetime64]
    moments: dict[str, FloatArray]
    exact: dict[tuple[str, int], FloatArray]


def budget_table(sums: GroupSums) -> pd.DataFrame:
    """One row per group and month (nomenclature budget)."""
    months = pd.to_datetime(np.tile(sums.first, len(sums.names)))
    columns: dict[str, object] = {"month": months.astype("datetime64[ns]")}
    columns["group"] = np.repeat(np.array(sums.names, dtype=object), sums.first.size)
    for quantity, start in (("count", ""), ("cost", ""), ("count_sum", "cumulative_"), ("cost_sum", "cumulative_")):
        what = quantity.removesuffix("_sum")
        mean = sums.moments[quantity][:, 0].mean(axis=0)
        columns[f"{start}expected_{what}"] = mean.ravel()
        rising = np.maximum.accumulate([_quantiles(sums, quantity, level).ravel() for level in LEVELS.values()])
        columns |= {f"{start}{label}_{what}": values for label, values in zip(LEVELS, rising)}
    return pd.DataFrame(columns)


def together(parts: Sequence[GroupSums]) -> GroupSums:
    """The sums over the shards of a fleet, given the same worlds; groups of one name are one.

    Given a world the shards are independent, so that the moments of their counts and money add up. Exact distributions stay
    where a group lies in one shard.
    """
    names = sorted({name for part in parts for name in part.names})
    place = {name: number for number, name in enumerate(names)}
    met = np.bincount([place[name] for part in parts for name in part.names], minlength=len(names))
    first = parts[0].first
    draws = len(next(iter(parts[0].moments.values())))
    moments = {quantity: np.zeros((draws, 3, len(names), first.size)) for quantity in parts[0].moments}
    exact: dict[tuple[str, int], FloatArray] = {}
    for part in parts:
        at = np.array([place[name] for name in part.names], dtype=np.intp)
        for quantity, values in part.moments.items():
            moments[quantity][:, :, at] += values
        exact |= {(quantity, int(at[group])): told for (quantity, group), told in part.exact.items() if met[at[group]] == 1}
    return GroupSums(names, first, moments, exact)


def _quantiles(sums: GroupSums, name: str, level: float) -> FloatArray:
    """Quantile (g, m) of one of the quantities."""
    groups, moments = len(sums.names), sums.moments[name]
    draws = len(moments)
    found = np.empty((groups, sums.first.size))
    exact = [group for group in range(groups) if (name, group) in sums.exact]
    for group in exact:
        found[group] = count_quantile(sums.exact[name, group] / draws, level)
    rest = np.setdiff1d(np.arange(groups), exact)
    if rest.size:
        parts = [part[:, rest].reshape(draws, -1) for part in np.moveaxis(moments, 1, 0)]
        parts[1] = np.maximum(parts[1], 0.0)
        reach = 12.0 * np.sqrt(parts[1].max(axis=0)) + 10.0
        ends = np.minimum(parts[0].min(axis=0) - reach, 0.0), parts[0].max(axis=0) + reach
        if name.startswith("count"):
            values = mixture_quantile(_mixed(refined_normal_cdf, parts), level, *ends, True)
        else:
            ways = _mixed(sum_cdf, parts), _mixed(sum_cdf_roughly, parts)
            values = mixture_quantile(ways[0], level, *ends, False, ways[1])
            sure = parts[1].max(axis=0) <= TINY
            values[sure] = np.quantile(parts[0][:, sure], level, axis=0, method="inverted_cdf")
        found[rest] = values.reshape(rest.size, -1)
    return np.maximum(found, 0.0)


def _mixed(cdf: Callable[..., FloatArray], parts: list[FloatArray]) -> Cdf:
    """`cdf` of a value and three moments, as that of mixtures over draws with moments `parts` (d, k)."""
    return lambda value, at: cdf(value, *(part[:, at] for part in parts)).mean(axis=0)
