"""Mixtures of normals, with or without heavy-tailed reading noise: moments, distribution function, quantiles."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

FloatArray = NDArray[np.float64]

GRAINS = 24  # normals that stand for one Student-t


def moments(weight: FloatArray, mean: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and variance (n,) of mixtures of m components; weight (m,), mean and variance (m, n)."""
    middle = weight @ mean
    return middle, weight @ (variance + (mean - middle) ** 2)


@cache
def _grains(degrees: float) -> FloatArray:
    """Variance factors (GRAINS,) of equally likely normals that together are nearly a Student-t (1 / gamma)."""
    chances = (np.arange(GRAINS) + 0.5) / GRAINS
    return np.asarray(0.5 * degrees / special.gammaincinv(0.5 * degrees, chances), dtype=float)


def with_tails(
    weight: FloatArray, mean: FloatArray, variance: FloatArray, noise: FloatArray, degrees: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mixture of `mean`, `variance` (m, n) plus reading noise of scale^2 `noise` (m,) and `degrees` (m,) of freedom.

    A Student-t is a normal whose variance is divided by a gamma variate; GRAINS quantiles of it stand for the whole, so
    that the result is again a mixture of normals: weight (k,), mean (k, n), variance (k, n).
    """
    weights, means, variances = [], [], []
    for share, middle, spread, scale, nu in zip(weight, mean, variance, noise, degrees):
        factors = _grains(float(nu)) if np.isfinite(nu) else np.ones(1)
        weights.append(np.full(factors.size, share / factors.size))
        means.append(np.broadcast_to(middle, (factors.size, middle.size)))
        variances.append(spread + scale * factors[:, None])
    return np.concatenate(weights), np.concatenate(means), np.concatenate(variances)


def distribution(weight: FloatArray, mean: FloatArray, variance: FloatArray, value: FloatArray) -> FloatArray:
    """P(mixture <= value) (n,) for value (n,)."""
    return weight @ special.ndtr((value - mean) / np.sqrt(variance))


def quantile(weight: FloatArray, mean: FloatArray, variance: FloatArray, chance: float) -> FloatArray:
    """Quantile (n,) of each mixture by bisection between the components' own quantiles (to 1e-10 of their width)."""
    parts = mean + np.sqrt(variance) * special.ndtri(chance)
    low, high = parts.min(axis=0), parts.max(axis=0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        below = distribution(weight, mean, variance, middle) < chance
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)
