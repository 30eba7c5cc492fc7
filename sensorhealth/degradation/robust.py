"""Heavy tails and censored readings as a working response: what each reading is worth to a Gaussian fit.

The latent reading eta of every record has a Gaussian posterior N(mean, variance); each record is replaced by a Gaussian
pseudo-reading N(response; eta, s2 / weight) that touches its true log likelihood there, and the fit is repeated until
nothing moves. Student-t noise: the tangent bound of the t density, weight (nu + 1) / (nu + E e^2 / s2) (Lange, Little
& Taylor 1989). Censored readings: the likelihood of lying beyond the limit, its slope and curvature averaged over the
posterior (Gaussian variational approximation, Opper & Archambeau 2009; with zero variance it is the Laplace step of a
Tobit model).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

FloatArray = NDArray[np.float64]

DEGREES = (3.0, 5.0, 8.0, 15.0, np.inf)  # of freedom tried for the noise
LEAST_WEIGHT = 1e-6  # a reading far inside its censoring limit says nothing; keeps 1 / weight finite


@dataclass(frozen=True)
class Working:
    """Gaussian stand-in for N records at one posterior.

    response, weight: (N,). bound: sum over records of E log p(record) - E log N(response; eta, s2 / weight), to be
    added to the Gaussian log likelihood. spare: residual degrees of freedom that the censored records do not use
    (their Gaussian stand-ins count as full readings when the noise is estimated; see `ballast`).
    """

    response: FloatArray
    weight: FloatArray
    bound: float
    spare: float


def working(
    y: FloatArray, censoring: NDArray[np.int8], mean: FloatArray, variance: FloatArray, noise: float, degrees: float
) -> Working:
    """Working response of N records whose latent readings have posterior `mean` and `variance` (N,).

    y (N,) ln ratio or limit, censoring (N,) +1 at or above y, -1 at or below, 0 read; noise: s2; degrees: nu (inf =
    Gaussian).
    """
    response, weight = y.copy(), np.ones(y.size)
    bound = spare = 0.0
    seen = censoring == 0
    if np.isfinite(degrees):
        weight[seen], bound = _tails((y[seen] - mean[seen]) ** 2 + variance[seen], noise, degrees)
    hidden = ~seen
    if hidden.any():
        sign = censoring[hidden].astype(float)
        response[hidden], weight[hidden], more, spare = _beyond(
            y[hidden], sign, mean[hidden], variance[hidden], noise, degrees
        )
        bound += more
    return Working(response, weight, bound, spare)


def _tails(square: FloatArray, noise: float, degrees: float) -> tuple[FloatArray, float]:
    """Weights (n,) at expected squared errors `square` and the bound's gain over the weighted Gaussian."""
    ratio = square / noise
    weight = (degrees + 1.0) / (degrees + ratio)
    student = _student_constant(degrees) - 0.5 * (degrees + 1.0) * np.log1p(ratio / degrees)
    gaussian = -0.5 * np.log(2.0 * np.pi) + 0.5 * np.log(weight) - 0.5 * weight * ratio
    return weight, float(np.sum(student - gaussian))


def _student_constant(degrees: float) -> float:
    return float(
        special.gammaln(0.5 * (degrees + 1.0)) - special.gammaln(0.5 * degrees) - 0.5 * np.log(degrees * np.pi)
    )


def tail_likelihood(square: FloatArray, noise: float, degrees: float) -> float:
    """Log likelihood of readings with expected squared errors `square` (n,) under noise of scale^2 `noise`."""
    if np.isinf(degrees):
        return float(-0.5 * np.sum(np.log(2.0 * np.pi * noise) + square / noise))
    bend = -0.5 * (degrees + 1.0) * np.log1p(square / (noise * degrees))
    return float(np.sum(bend) + square.size * (_student_constant(degrees) - 0.5 * np.log(noise)))


@cache
def _nodes() -> tuple[FloatArray, FloatArray]:
    points, weights = np.polynomial.hermite_e.hermegauss(9)
    return points, weights / weights.sum()


def _beyond(
    limit: FloatArray, sign: FloatArray, mean: FloatArray, variance: FloatArray, noise: float, degrees: float
) -> tuple[FloatArray, FloatArray, float, float]:
    """Response, weight, bound and spare degrees of freedom of censored records.

    With z = sign (eta - limit) / s and F the noise's distribution function: log F(z), its slope f/F and its curvature,
    averaged over eta. Where a heavy tail makes the curvature small or negative, the secant slope / (1 + |z|) stands in,
    which moves the weight but not the point at which the iteration rests.
    """
    points, chances = _nodes()
    scale = np.sqrt(noise)
    z = sign[:, None] * (mean[:, None] + np.sqrt(variance)[:, None] * points - limit[:, None]) / scale
    log_share, slope, curvature = _limit_terms(z, degrees)
    slope_mean = slope @ chances
    secant = np.where(z < 0.0, slope / (1.0 + np.abs(z)), 0.0) @ chances
    weight = np.maximum(np.maximum(curvature @ chances, secant), LEAST_WEIGHT)
    response = mean + sign * scale * slope_mean / weight
    ratio = weight * ((response - mean) ** 2 + variance) / noise
    gaussian = -0.5 * np.log(2.0 * np.pi * noise / weight) - 0.5 * ratio
    bound = float(np.sum(log_share @ chances - gaussian))
    spare = float(np.sum(1.0 - ratio - (z * slope) @ chances))
    return response, weight, bound, spare


def _limit_terms(z: FloatArray, degrees: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """log F(z), its slope and minus its second derivative, for normal or Student-t noise."""
    if np.isinf(degrees):
        log_share = special.log_ndtr(z)
        slope = np.exp(-0.5 * z**2 - 0.5 * np.log(2.0 * np.pi) - log_share)
        return log_share, slope, slope * (slope + z)
    log_share = np.log(special.stdtr(degrees, z))
    density = _student_constant(degrees) - 0.5 * (degrees + 1.0) * np.log1p(z**2 / degrees)
    slope = np.exp(density - log_share)
    return log_share, slope, slope * (slope + (degrees + 1.0) * z / (degrees + z**2))


def ballast(noise: float, spare: float, weight: float = LEAST_WEIGHT) -> float:
    """Value of one pseudo-reading of weight `weight` that no effect explains and that gives back `spare` degrees of
    freedom.

    A residual variance estimated as squares / count with one more count and noise * (1 + spare) more squares rests
    where squares / (count - spare) would.
    """
    return float(np.sqrt(noise * max(1.0 + spare, 0.0) / weight))
