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
    """Posterior mean (L,) and variance (L,) of effects theta ~ N(mu, spread^2), and the log restricted likelihood.

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
    variance = spread**2 * (1.0 - np.diag(pull)) + left**2 / weight.sum()
    likelihood = -0.5 * (np.linalg.slogdet(total)[1] + np.log(weight.sum()) + gap @ inverse @ gap)
    return mu + pull @ gap, np.maximum(variance, 0.0), float(likelihood)


def shrink(estimate: FloatArray, covariance: FloatArray, level: float = 0.90) -> Shrunken:
    """Average over the spread between groups, all values of which are equally likely before the data.

    With few groups the spread is hardly known; a single value (often zero) would make the intervals too narrow. Source:
    Gelman (2006), Bayesian Analysis 1:515-534, on the uniform prior; the average is over a grid of NODES values.
    """
    sd = np.sqrt(np.diag(covariance))
    if estimate.size < 2:
        return _of(np.ones(1), estimate[None, :], (sd * sd)[None, :], level, 0.0)
    widest = WIDEST * max(float(estimate.std()), float(np.median(sd)), 1e-12)
    spreads = widest * np.linspace(0.0, 1.0, NODES) ** 1.5
    parts = [at_spread(estimate, covariance, float(s)) for s in spreads]
    log_weight = np.array([part[2] for part in parts])
    weight = np.exp(log_weight - log_weight.max()) * np.gradient(spreads)
    weight /= weight.sum()
    mean, variance = np.array([part[0] for part in parts]), np.array([part[1] for part in parts])
    return _of(weight, mean, variance, level, float(weight @ spreads))


def _of(weight: FloatArray, mean: FloatArray, variance: FloatArray, level: float, spread: float) -> Shrunken:
    middle, total = moments(weight, mean, variance)
    variance = np.maximum(variance, 1e-300)
    ends = [quantile(weight, mean, variance, chance) for chance in (0.5 - level / 2, 0.5 + level / 2)]
    return Shrunken(middle, np.sqrt(total), ends[0], ends[1], spread)
