"""Sudden deaths of groups of sensors: hazard against that of the rest, by exact conditional tests on a common ageing
clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, stats

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SHAPE_PRIOR = 1.0
"""Standard deviation of ln shape about 0 (a constant hazard): common practice, no source; it fades as deaths
accumulate."""
PRIOR_DEATHS = 2.0
"""Weight, in deaths, of "as the rest" in the shrunken hazard ratio."""


@dataclass(frozen=True)
class Hazards:
    """Sudden deaths by group (L,): deaths, sensor_years, ratio of hazards to the rest with low, high and p.

    NaN where not known; an upper end without bound is NaN. expected: deaths at the mean hazard of all. shape: of the
    Weibull clock that all groups share; scale_years: of a Weibull with the mean hazard of all.
    """

    deaths: IntArray
    sensor_years: FloatArray
    ratio: FloatArray
    low: FloatArray
    high: FloatArray
    p_value: FloatArray
    expected: FloatArray
    shape: float
    scale_years: float

    def shrunken(self, group: int) -> float:
        """Hazard of a group over the mean of all, drawn toward one by PRIOR_DEATHS (gamma prior)."""
        return float((self.deaths[group] + PRIOR_DEATHS) / (self.expected[group] + PRIOR_DEATHS))

    def draws(self, group: int, count: int, rng: np.random.Generator) -> FloatArray:
        """Draws (count,) of the same from its gamma posterior."""
        return rng.gamma(self.deaths[group] + PRIOR_DEATHS, 1.0 / (self.expected[group] + PRIOR_DEATHS), count)


def weibull_shape(entry: FloatArray, leave: FloatArray, died: NDArray[np.bool_]) -> float:
    """Shape by maximum likelihood (scale profiled out), with a weak prior; entry, leave, died (n,).

    Left truncation and right censoring: the cumulated hazard of a sensor is (leave^k - entry^k) / scale^k.
    """
    deaths = int(died.sum())
    if deaths == 0:
        return 1.0
    logs = float(np.log(np.maximum(leave[died], 1e-3)).sum())

    def cost(ln_shape: float) -> float:
        k = float(np.exp(ln_shape))
        clock = float((leave**k - entry**k).sum())
        return -(deaths * ln_shape + (k - 1.0) * logs - deaths * np.log(clock)) + 0.5 * (ln_shape / SHAPE_PRIOR) ** 2

    return float(np.exp(optimize.minimize_scalar(cost, bounds=(np.log(0.2), np.log(12.0)), method="bounded").x))


def compare_hazards(
    group: IntArray, groups: int, entry: FloatArray, leave: FloatArray, died: NDArray[np.bool_], level: float = 0.90
) -> Hazards:
    """Hazard of each group against all others (n sensors; ages in years).

    On the Weibull clock deaths are Poisson with means proportional to exposure; given all deaths, those of a group are
    binomial: an exact test and interval of the ratio. Source: Przyborowski and Wilenski (1940), Biometrika 31:313-323;
    interval of Clopper and Pearson (1934), Biometrika 26:404-413.
    """
    entry, leave = np.maximum(entry, 0.0), np.maximum(leave, np.maximum(entry, 0.0) + 1e-6)
    shape = weibull_shape(entry, leave, died)
    clock = np.bincount(group, leave**shape - entry**shape, groups)
    deaths = np.bincount(group, died.astype(float), groups).round().astype(np.int64)
    total, everything = int(deaths.sum()), float(clock.sum())
    ratio, low, high, p_value = (np.full(groups, np.nan) for _ in range(4))
    for at in range(groups):
        own, rest = float(clock[at]), everything - float(clock[at])
        if own <= 0 or rest <= 0:
            continue
        share = own / everything
        others = total - int(deaths[at])
        p_value[at] = stats.binomtest(int(deaths[at]), total, share).pvalue if total else 1.0
        bounds = stats.binomtest(int(deaths[at]), total).proportion_ci(level, "exact") if total else (0.0, 1.0)
        low[at], high[at] = (_odds(float(end)) * rest / own for end in bounds)
        ratio[at] = (deaths[at] / own) / (others / rest) if others else np.nan
    years = np.asarray(np.bincount(group, leave - entry, groups), dtype=np.float64)
    scale = (everything / max(total, 0.5)) ** (1.0 / shape)
    expected = np.asarray(clock * max(total, 0.5) / max(everything, 1e-12), dtype=np.float64)
    return Hazards(deaths, years, ratio, low, high, p_value, expected, shape, scale)


def _odds(share: float) -> float:
    return share / (1.0 - share) if share < 1.0 else np.nan
