"""Kernel: ordinary ones and odd ones. Posterior of many biases when most are ordinary and a few are far off.

    bias_k ~ (1 - share) N(0, (ordinary scale_k)^2) + share N(0, wide^2),   estimate_k ~ N(bias_k, variance_k)

`ordinary` and `share` are learnt from all of them by EM, with the stated prior as pseudo-observations: Efron (2008),
"Microarrays, empirical Bayes and the two-groups model", Statistical Science 23, 1-22.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WIDE = 0.15
ORDINARY = 0.5
ORDINARY_WEIGHT = 10.0
SHARE = 0.05
SHARE_WEIGHT = 20.0
LEAST, MOST = 0.1, 0.6
ROUNDS = 200


@dataclass(frozen=True)
class TwoGroups:
    """Posterior of each bias: a mixture of two normals, arrays (n, 2) for weight, mean, sd (ordinary first, odd
    second).

    ordinary: standard deviation of ordinary biases in units of their scale; share: of odd ones.
    """

    weight: FloatArray
    mean: FloatArray
    sd: FloatArray
    ordinary: float
    share: float

    def below(self, limit: FloatArray) -> FloatArray:
        """P(bias < limit), (n,)."""
        from scipy.special import ndtr

        return (self.weight * ndtr((limit[:, None] - self.mean) / self.sd)).sum(axis=1)

    def average(self) -> FloatArray:
        """Posterior mean (n,)."""
        return (self.weight * self.mean).sum(axis=1)

    def quantile(self, probability: float) -> FloatArray:
        """Posterior quantile (n,), by bisection."""
        low = (self.mean - 10 * self.sd).min(axis=1)
        high = (self.mean + 10 * self.sd).max(axis=1)
        for _ in range(60):
            middle = (low + high) / 2
            under = self.below(middle) < probability
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return (low + high) / 2


def two_groups(estimate: FloatArray, variance: FloatArray, scale: FloatArray) -> TwoGroups:
    """Posterior of the biases behind `estimate` (n,) with sampling variance (n,), inf where there is no information.

    scale (n,): stated tolerance; before any data the ordinary standard deviation is held to be half of it.
    """
    ordinary, share = ORDINARY, SHARE
    for _ in range(ROUNDS):
        weight, mean, var = _posterior(estimate, variance, scale, ordinary, share)
        square = ((mean[:, 0] ** 2 + var[:, 0]) / scale**2 * weight[:, 0]).sum()
        new = np.sqrt((square + ORDINARY_WEIGHT * ORDINARY**2) / (weight[:, 0].sum() + ORDINARY_WEIGHT))
        new = float(np.clip(new, LEAST, MOST))
        new_share = (weight[:, 1].sum() + SHARE_WEIGHT * SHARE) / (len(estimate) + SHARE_WEIGHT)
        done = abs(new - ordinary) < 1e-6 and abs(new_share - share) < 1e-6
        ordinary, share = new, float(new_share)
        if done:
            break
    weight, mean, var = _posterior(estimate, variance, scale, ordinary, share)
    return TwoGroups(weight, mean, np.sqrt(var), ordinary, share)


def _posterior(
    estimate: FloatArray, variance: FloatArray, scale: FloatArray, ordinary: float, share: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weight, mean and variance (n, 2) of the two groups."""
    prior = np.stack([(ordinary * scale) ** 2, np.maximum(WIDE, 2 * scale) ** 2], axis=1)
    informed = np.isfinite(variance)[:, None]
    sampling = np.where(informed, variance[:, None], 1.0)
    value = np.where(informed, estimate[:, None], 0.0)
    total = prior + sampling
    log_weight = np.log([1 - share, share]) - np.where(informed, 0.5 * (np.log(total) + value**2 / total), 0.0)
    weight = np.exp(log_weight - log_weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    shrink = np.where(informed, prior / total, 0.0)
    return weight, shrink * value, np.where(informed, shrink * sampling, prior)
