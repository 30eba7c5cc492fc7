"""Kernel: the likelihood of many short sensor paths, and the score of a shock before, or an error in, each reading.

Path of one series, readings j = 1..n at clock values g_j (a time scale of age, 0 when new):

    y_j = h_j + e_j,  e_j ~ N(0, noise_j);   h_j = h_{j-1} + b (g_j - g_{j-1}) + N(0, wander (g_j - g_{j-1})) + shock_j
    (level at g = 0, b) ~ N(mean, spread);   shock_j ~ N(0, shock variance), 0 for most readings

which is the ageing model's path (random level and slope, Brownian wander) as a state space of two. One forward sweep
gives the likelihood, one backward sweep the scores s'V^-1 r and information s'V^-1 s of a level step before each
reading and of an error in each reading alone: the disturbance smoother of De Jong and Penzer (1998), "Diagnosing
shocks in time series", J. Am. Stat. Assoc. 93, 796-806. All series at once, O(readings).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class PathPrior:
    """What the paths of one stratum have in common.

    mean (2,): level at g = 0 (ln ratio) and slope per unit g. spread (2, 2): their covariance between sensors. noise:
    variance of one reading. wander: Brownian variance per unit g. power: the clock, g = age_years ** power.
    """

    mean: FloatArray
    spread: FloatArray
    noise: float
    wander: float
    power: float = 1.0

    def clock(self, age_years: FloatArray) -> FloatArray:
        """g of an age in years."""
        return np.maximum(age_years, 0.0) ** self.power


@dataclass(frozen=True)
class Padded:
    """Series side by side, one column each, short ones padded at the end: all arrays (readings, series).

    y; g; noise (variance, any positive number where not seen); seen; shock (variance of a level step before the
    reading).
    """

    y: FloatArray
    g: FloatArray
    noise: FloatArray
    seen: NDArray[np.bool_]
    shock: FloatArray


@dataclass(frozen=True)
class Forward:
    """One forward sweep. loglik (series,); innovation, variance, gain_level, gain_slope (readings, series)."""

    loglik: FloatArray
    innovation: FloatArray
    variance: FloatArray
    gain_level: FloatArray
    gain_slope: FloatArray


@dataclass(frozen=True)
class Scores:
    """Scores and informations, each (readings, series): estimate = score / information, z = score / sqrt(information).

    step_*: a level step just before the reading (row 0 asks whether the start is unusual). error_*: an error in this
    reading alone (NaN where it is not seen). start_score (2, series), start_information (2, 2, series): of a shift of
    (level at g = 0, slope): with prior mean m and covariance P their posterior is m + P score, P - P information P.
    """

    step_score: FloatArray
    step_information: FloatArray
    error_score: FloatArray
    error_information: FloatArray
    start_score: FloatArray
    start_information: FloatArray


def pad(flat: NDArray[Any], start: IntArray, count: IntArray, fill: float | bool) -> NDArray[Any]:
    """Flat values of series (start, count) as a (readings, series) array, filled at the end of short ones."""
    rows = np.arange(count.max(initial=0))[:, None]
    inside = rows < count
    return np.where(inside, flat[np.where(inside, start + rows, 0)], np.asarray(fill, dtype=flat.dtype))


def forward(
    data: Padded, mean: FloatArray, spread: FloatArray, wander: FloatArray | float, degrees: float | None = None
) -> Forward:
    """Kalman filter over all series; mean (2, series or 1), spread (2, 2, series or 1).

    degrees: None for Gaussian; else innovations count by a Student density of so many degrees of freedom and are
    clipped at three standard deviations before they move the path, so that a few bad readings or jumps do not set the
    scale.
    """
    rows, series = data.y.shape
    out = np.empty((4, rows, series))
    g_before = np.zeros(series)
    level = np.broadcast_to(mean[0], series).astype(float)
    slope = np.broadcast_to(mean[1], series).astype(float)
    p00, p01, p11 = (np.broadcast_to(spread[i, j], series).astype(float) for i, j in ((0, 0), (0, 1), (1, 1)))
    loglik = np.zeros(series)
    for j in range(rows):
        step = data.g[j] - g_before
        level = level + slope * step
        p00 = p00 + step * (2 * p01 + step * p11 + wander) + data.shock[j]
        p01 = p01 + step * p11
        variance = p00 + data.noise[j]
        seen = data.seen[j]
        innovation = np.where(seen, data.y[j] - level, 0.0)
        gain0, gain1 = np.where(seen, p00 / variance, 0.0), np.where(seen, p01 / variance, 0.0)
        loglik += np.where(seen, _log_density(innovation, variance, degrees), 0.0)
        out[:, j] = innovation, variance, gain0, gain1
        if degrees is not None:
            limit = 3.0 * np.sqrt(variance)
            innovation = np.clip(innovation, -limit, limit)
        level, slope = level + gain0 * innovation, slope + gain1 * innovation
        p11 = p11 - gain1 * p01
        p00, p01 = p00 * (1 - gain0), p01 * (1 - gain0)
        g_before = np.where(data.g[j] > g_before, data.g[j], g_before)
    return Forward(loglik, out[0], out[1], out[2], out[3])


def _log_density(innovation: FloatArray, variance: FloatArray, degrees: float | None) -> FloatArray:
    """Log density of the innovations up to a constant."""
    square = innovation * innovation / variance
    if degrees is None:
        return -0.5 * (np.log(2 * np.pi * variance) + square)
    return -0.5 * (np.log(variance) + (degrees + 1) * np.log1p(square / degrees))


def readings_loglik(data: Padded, sweep: Forward) -> FloatArray:
    """Gaussian log-likelihood of each reading given those before it, (readings, series); 0 where not seen."""
    return np.where(data.seen, _log_density(sweep.innovation, sweep.variance, None), 0.0)


def scores(data: Padded, sweep: Forward) -> Scores:
    """Backward sweep: score and information of a step before, and of an error in, every reading."""
    rows, series = data.y.shape
    out = np.full((4, rows, series), np.nan)
    r0, r1, n00, n01, n11 = np.zeros((5, series))
    for j in range(rows - 1, -1, -1):
        seen = data.seen[j]
        k0, k1 = sweep.gain_level[j], sweep.gain_slope[j]
        inverse = np.where(seen, 1 / sweep.variance[j], 0.0)
        surprise = inverse * sweep.innovation[j]
        through = k0 * n00 + k1 * n01, k0 * n01 + k1 * n11
        error = surprise - k0 * r0 - k1 * r1
        information = inverse + k0 * through[0] + k1 * through[1]
        out[2, j] = np.where(seen, error, np.nan)
        out[3, j] = np.where(seen, information, np.nan)
        r0 = error + r0
        n00, n01 = n00 - 2 * through[0] + information, n01 - through[1]
        out[0, j], out[1, j] = r0, n00
        step = data.g[j] - (data.g[j - 1] if j else 0.0)
        r1 = r1 + step * r0
        n11 = n11 + step * (2 * n01 + step * n00)
        n01 = n01 + step * n00
    start = np.stack([r0, r1])
    start_information = np.stack([np.stack([n00, n01]), np.stack([n01, n11])])
    return Scores(out[0], out[1], out[2], out[3], start, start_information)
