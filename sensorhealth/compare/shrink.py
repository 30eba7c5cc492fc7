"""Shrinking the effects of groups toward their common mean (empirical Bayes, with the spread's own uncertainty)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation.mixture import moments, quantile

FloatArray = NDArray[np.float64]

NODES = 41
WIDEST = 5.0
"""Largest spread tried, in units of the estimates' own spread or error."""


@dataclass(frozen=True)
class Shrunken:
    """Shrunken effects: mean, sd, low, high (L,) of each group, and the mean spread (sd) between groups."""

    mean: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray
    spread: float


def at_spread(estimate: FloatArray, covariance: FloatArray, spread: float) -> tuple[FloatArray, FloatArray, float]:
    """Posterior mean (L,), covariance (L, L) of effects theta ~ N(mu, spread^2), and the log restricted likelihood.

    estimate (L,), covariance (L, L) of the raw effects; mu is flat. The same numbers as the best linear unbiased
    predictors of a mixed model with random groups at these variances. Source: Henderson (1975), Biometrics 31:423-447.
    """
    count = estimate.size
    total = covariance + spread**2 * np.eye(count)
    inverse = np.linalg.inv(total)
    weight = inverse.sum(0)
    mu = float(weight @ estimate / weight.sum())
    gap = estimate - mu
    pull = spread**2 * inverse
    left = 1.0 - pull.sum(1)
    posterior = spread**2 * (np.eye(count) - pull) + np.outer(left, left) / weight.sum()
    likelihood = -0.5 * (np.linalg.slogdet(total)[1] + np.log(weight.sum()) + gap @ inverse @ gap)
    return mu + pull @ gap, 0.5 * (posterior + posterior.T), float(likelihood)


def _grid(estimate: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray, list[FloatArray], list[FloatArray]]:
    """Spreads between groups, their weights, and the effects' means and covariances at each.

    With few groups the spread is hardly known; a single value (often zero) would make the intervals too narrow. All
    values are equally likely before the data. Source: Gelman (2006), Bayesian Analysis 1:515-534, on the uniform prior.
    """
    sd = np.sqrt(np.diag(covariance))
    widest = WIDEST * max(float(estimate.std()), float(np.median(sd)), 1e-12)
    spreads = widest * np.linspace(0.0, 1.0, NODES) ** 1.5
    parts = [at_spread(estimate, covariance, float(s)) for s in spreads]
    log_weight = np.array([part[2] for part in parts])
    weight = np.exp(log_weight - log_weight.max()) * np.gradient(spreads)
    return spreads, weight / weight.sum(), [part[0] for part in parts], [part[1] for part in parts]


def shrink(estimate: FloatArray, covariance: FloatArray, level: float = 0.90) -> Shrunken:
    """Effects (L,) drawn toward their mean, averaged over the spread between groups; interval of `level`."""
    if estimate.size < 2:
        return _of(np.ones(1), estimate[None, :], np.diag(covariance)[None, :], level, 0.0)
    spreads, weight, means, covariances = _grid(estimate, covariance)
    variance = np.array([np.diag(part) for part in covariances])
    return _of(weight, np.array(means), variance, level, float(weight @ spreads))


def draw_effects(estimate: FloatArray, covariance: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
    """Draws (count, L) of the shrunken effects together."""
    if estimate.size < 2:
        return estimate + np.sqrt(covariance[0, 0]) * rng.standard_normal((count, 1))
    _, weight, means, covariances = _grid(estimate, covariance)
    out = []
    for times, mean, part in zip(rng.multinomial(count, weight), means, covariances):
        values, vectors = np.linalg.eigh(part)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        out.append(mean + rng.standard_normal((times, estimate.size)) @ root.T)
    return np.vstack(out)


def _of(weight: FloatArray, mean: FloatArray, variance: FloatArray, level: float, spread: float) -> Shrunken:
    middle, total = moments(weight, mean, variance)
    variance = np.maximum(variance, 1e-300)
    ends = [quantile(weight, mean, variance, chance) for chance in (0.5 - level / 2, 0.5 + level / 2)]
    return Shrunken(middle, np.sqrt(total), ends[0], ends[1], spread)
