"""Kernel: ordinary ones and odd ones. Posterior of many biases when most are ordinary and a few are far off.

    bias_k ~ (1 - share) N(0, (ordinary scale_k)^2) + share N(0, wide^2)
    estimate_k ~ N(bias_k + centre + drift(site_k, time_k), variance_k)

`ordinary`, `share` and `centre` are learnt from all of them by EM, with the stated prior as pseudo-observations: Efron
(2008), "Microarrays, empirical Bayes and the two-groups model", Statistical Science 23, 1-22. The centre is there because
nothing but the ordinary ones tells where zero is: a level that all cylinders share cannot be told from the sensors'. Nor can
one that the cylinders of a site share for a year or more: that is the drift, linear between knots a year apart, each knot
normal with a standard deviation that is learnt too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

WIDE = 0.15
ORDINARY = 0.5
ORDINARY_WEIGHT = 3.0
SHARE = 0.05
SHARE_WEIGHT = 20.0
LEAST, MOST = 0.1, 0.6
ROUNDS = 500
CONVERGED = 1e-6
CENTRE_SD = 0.05
DRIFT_SD = 0.01
DRIFT_WEIGHT = 10.0
MOST_DRIFT = 0.02


@dataclass(frozen=True)
class TwoGroups:
    """Posterior of each bias: a mixture of two normals, arrays (n, 2) for weight, mean, sd (ordinary first, odd
    second).

    ordinary: standard deviation of ordinary biases in units of their scale; share: of odd ones; centre: of the estimates
    of ordinary ones; drift (n,): what is held to be the sensors' own where and when each was used.
    """

    weight: FloatArray
    mean: FloatArray
    sd: FloatArray
    ordinary: float
    share: float
    centre: float
    drift: FloatArray

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


@dataclass(frozen=True)
class Places:
    """Where and when each cylinder was used: site (n,) as 0, 1, ...; knot (n,), whole years since the first of all; part
    (n,), of the year after it."""

    site: IntArray
    knot: IntArray
    part: FloatArray

    @classmethod
    def at(cls, site: IntArray, years: FloatArray) -> Places:
        """From the site and the time in years of each."""
        since = years - years.min(initial=np.inf)
        knot = np.floor(since).astype(np.int64)
        return cls(site, knot, since - knot)


def two_groups(estimate: FloatArray, variance: FloatArray, scale: FloatArray, places: Places | None = None) -> TwoGroups:
    """Posterior of the biases behind `estimate` (n,) with sampling variance (n,), inf where there is no information.

    scale (n,): stated tolerance; before any data the ordinary standard deviation is held to be half of it. places: where
    and when each was used; None where that is not to count.
    """
    told = np.isfinite(variance)
    ordinary, share, moved = ORDINARY, SHARE, DRIFT_SD**2
    drift, unsure = np.zeros((2, len(estimate)))
    weight = np.ones((len(estimate), 2))
    centre, doubt = _centre(estimate, variance, ordinary * scale, weight[:, 0])
    for _ in range(ROUNDS):
        off, around = estimate - centre, variance + (ordinary * scale) ** 2
        if places is not None:
            precision = np.where(told, weight[:, 0] / around, 0.0)
            drift, unsure, new_moved = _drift(np.where(told, off, 0.0), precision, places, moved)
        weight, mean, var = _posterior(off - drift, variance + unsure, scale, ordinary, share)
        square = ((mean[:, 0] ** 2 + var[:, 0]) / scale**2 * weight[:, 0])[told].sum()
        count = weight[told, 0].sum() + ORDINARY_WEIGHT
        new = float(np.clip(np.sqrt((square + ORDINARY_WEIGHT * ORDINARY**2) / count), LEAST, MOST))
        new_share = float((weight[told, 1].sum() + SHARE_WEIGHT * SHARE) / (told.sum() + SHARE_WEIGHT))
        new_centre, doubt = _centre(estimate - drift, variance + unsure, new * scale, weight[:, 0])
        change = max(abs(new - ordinary), abs(new_share - share), abs(new_centre - centre))
        ordinary, share, centre = new, new_share, new_centre
        if places is not None:
            change, moved = max(change, abs(np.sqrt(new_moved) - np.sqrt(moved))), new_moved
        if change < CONVERGED:
            break
    weight, mean, var = _posterior(estimate - centre - drift, variance + doubt + unsure, scale, ordinary, share)
    return TwoGroups(weight, mean, np.sqrt(var), ordinary, share, centre, drift)


def _drift(off: FloatArray, precision: FloatArray, places: Places, moved: float) -> tuple[FloatArray, FloatArray, float]:
    """Posterior mean and variance (n,) of the drift where and when each was used, and the variance of its knots."""
    site, knot, part = places.site, places.knot, places.part
    knots = int(knot.max(initial=0)) + 2
    matrix, right = np.zeros((int(site.max(initial=0)) + 1, knots, knots)), np.zeros((int(site.max(initial=0)) + 1, knots))
    hats = ((knot, 1.0 - part), (knot + 1, part))
    for row, share in hats:
        np.add.at(right, (site, row), precision * share * off)
        for column, other in hats:
            np.add.at(matrix, (site, row, column), precision * share * other)
    used = np.einsum("skk->sk", matrix) > 0
    cover = np.linalg.inv(matrix + np.eye(knots) / moved)
    level = (cover @ right[:, :, None])[:, :, 0]
    drift = sum(share * level[site, row] for row, share in hats)
    unsure = sum(share * other * cover[site, row, column] for row, share in hats for column, other in hats)
    square = (level**2 + np.einsum("skk->sk", cover))[used].sum()
    learnt = float((square + DRIFT_WEIGHT * DRIFT_SD**2) / (used.sum() + DRIFT_WEIGHT))
    return np.asarray(drift), np.asarray(unsure), min(learnt, MOST_DRIFT**2)


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
