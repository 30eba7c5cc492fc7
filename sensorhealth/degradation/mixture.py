"""Mixtures of normals, with or without heavy-tailed reading noise: moments, distribution function, quantiles."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

FloatArray = NDArray[np.float64]

TAIL, BODY = 10, 14  # normals that stand for the tail and for the body of a Student-t
TAIL_CHANCE = 0.05
LEAST_CHANCE = 1e-8


def moments(weight: FloatArray, mean: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean and variance (n,) of mixtures of m components; weight (m,) or (m, n), mean and variance (m, n)."""
    share = weight.reshape(len(weight), -1)
    middle = (share * mean).sum(axis=0)
    return middle, (share * (variance + (mean - middle) ** 2)).sum(axis=0)


def with_steps(
    weight: FloatArray, mean: FloatArray, variance: FloatArray, chance: FloatArray, size: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mixtures in which a step of standard deviation `size` happens with probability `chance` (n,); weights (2m, n)."""
    share = weight.reshape(len(weight), -1)
    weights = np.concatenate([share * (1.0 - chance), share * chance])
    return weights, np.concatenate([mean, mean]), np.concatenate([variance, variance + size**2])


@cache
def grains(degrees: float) -> tuple[FloatArray, FloatArray]:
    """Chances and variance factors (k,) of normals that together are nearly a Student-t, out to its far tails.

    A Student-t is a normal whose precision is a gamma variate; its quantiles are taken finely in the tail, so that a
    reading hundreds of scales away is still explained by one of the normals.
    """
    if np.isinf(degrees):
        return np.ones(1), np.ones(1)
    edges = np.concatenate([[0.0], np.geomspace(LEAST_CHANCE, TAIL_CHANCE, TAIL), np.linspace(TAIL_CHANCE, 1.0, BODY + 1)[1:]])
    middle = np.where(edges[:-1] > 0.0, 0.5 * (edges[:-1] + edges[1:]), 0.5 * edges[1:])
    factor = 0.5 * degrees / special.gammaincinv(0.5 * degrees, middle)
    return np.diff(edges), np.asarray(factor, dtype=float)


def with_tails(
    weight: FloatArray, mean: FloatArray, variance: FloatArray, noise: FloatArray, degrees: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mixture of `mean`, `variance` (m, n) plus reading noise of scale^2 `noise` (m,) and `degrees` (m,) of freedom.

    Normals stand for the Student-t (`grains`), so that the result is again a mixture of normals: weight (k, 1 or n),
    mean (k, n), variance (k, n).
    """
    weight = weight.reshape(len(weight), -1)
    weights, means, variances = [], [], []
    for share, middle, spread, scale, nu in zip(weight, mean, variance, noise, degrees):
        chance, factors = grains(float(nu))
        weights.append(chance[:, None] * share)
        means.append(np.broadcast_to(middle, (factors.size, middle.size)))
        variances.append(spread + scale * factors[:, None])
    return np.concatenate(weights), np.concatenate(means), np.concatenate(variances)


def distribution(weight: FloatArray, mean: FloatArray, variance: FloatArray, value: FloatArray) -> FloatArray:
    """P(mixture <= value) (n,) for value (n,)."""
    return (weight.reshape(len(weight), -1) * special.ndtr((value - mean) / np.sqrt(variance))).sum(axis=0)


def quantile(weight: FloatArray, mean: FloatArray, variance: FloatArray, chance: float) -> FloatArray:
    """Quantile (n,) of each mixture by bisection between the components' own quantiles (to 1e-10 of their width)."""
    parts = mean + np.sqrt(variance) * special.ndtri(chance)
    low, high = parts.min(axis=0), parts.max(axis=0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        below = distribution(weight, mean, variance, middle) < chance
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high)
