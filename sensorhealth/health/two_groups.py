"""Kernel: ordinary ones and odd ones. Posterior of many biases when most are ordinary and a few are far off.

    bias_k ~ (1 - share) N(0, (ordinary scale_k)^2) + share N(0, wide^2),   estimate_k ~ N(bias_k + centre, variance_k)

`ordinary`, `share` and `centre` are learnt from all of them by EM, with the stated prior as pseudo-observations: Efron
(2008), "Microarrays, empirical Bayes and the two-groups model", Statistical Science 23, 1-22. The centre is there because
nothing but the ordinary ones tells where zero is: a level that all cylinders share cannot be told from the sensors'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

WIDE = 0.15
ORDINARY = 0.5
ORDINARY_WEIGHT = 3.0
SHARE = 0.05
SHARE_WEIGHT = 20.0
LEAST, MOST = 0.1, 0.6
ROUNDS = 500
CENTRE_SD = 0.05


@dataclass(frozen=True)
class TwoGroups:
    """Posterior of each bias: a mixture of two normals, arrays (n, 2) for weight, mean, sd (ordinary first, odd
    second).

    ordinary: standard deviation of ordinary biases in units of their scale; share: of odd ones; centre: of the estimates
    of ordinary ones.
    """

    weight: FloatArray
    mean: FloatArray
    sd: FloatArray
    ordinary: float
    share: float
    centre: float

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
    told = np.isfinite(variance)
    ordinary, share = ORDINARY, SHARE
    centre, doubt = _centre(estimate, variance, ordinary * scale, np.ones(len(estimate)))
    for _ in range(ROUNDS):
        weight, mean, var = _posterior(estimate - centre, variance, scale, ordinary, share)
        square = ((mean[:, 0] ** 2 + var[:, 0]) / scale**2 * weight[:, 0])[told].sum()
        count = weight[told, 0].sum() + ORDINARY_WEIGHT
        new = float(np.clip(np.sqrt((square + ORDINARY_WEIGHT * ORDINARY**2) / count), LEAST, MOST))
        new_share = float((weight[told, 1].sum() + SHARE_WEIGHT * SHARE) / (told.sum() + SHARE_WEIGHT))
        new_centre, doubt = _centre(estimate, variance, new * scale, weight[:, 0])
        change = max(abs(new - ordinary), abs(new_share - share), abs(new_centre - centre))
        ordinary, share, centre = new, new_share, new_centre
        if change < 1e-7:
            break
    weight, mean, var = _posterior(estimate - centre, variance + doubt, scale, ordinary, share)
    return TwoGroups(weight, mean, np.sqrt(var), ordinary, share, centre)


def _centre(estimate: FloatArray, variance: FloatArray, ordinary: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """Posterior mean and variance of the centre, prior N(0, CENTRE_SD^2), from the ordinary ones."""
    told = np.isfinite(variance)
    precision = weight[told] / (variance[told] + ordinary[told] ** 2)
    total = precision.sum() + CENTRE_SD**-2
    return float(precision @ estimate[told] / total), float(1 / total)


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
