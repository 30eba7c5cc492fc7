"""Heavy tails and censored readings as a working response: what each reading is worth to a Gaussian fit.

Every record is replaced by a Gaussian pseudo-reading N(response; eta, s2 / weight) of the latent reading eta, such that
posterior mean and variance are those which the record's true likelihood would give beside all other readings (expectation
propagation: Minka 2001; for Student-t noise Jylänki, Vanhatalo and Vehtari 2011, JMLR 12:3227-3257). The true likelihood
is a Student-t density, or, for a censored record, the probability of lying beyond the limit. A Student-t is held as a
mixture of normals, which makes every step a closed form.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from sensorhealth.degradation.mixture import grains

FloatArray = NDArray[np.float64]

DEGREES = (3.0, 5.0, 8.0, 15.0, np.inf)  # of freedom tried for the noise
LEAST_WEIGHT = 1e-6  # a reading far inside its censoring limit says nothing; keeps 1 / weight finite
DEGREES_PRIOR = {3.0: -1.0, 5.0: -0.5, 8.0: 0.0, 15.0: 0.2, np.inf: 0.2}  # log prior: tails must show to be believed
OTHER_CAUSE = {-1: 0.1, 1: 0.01}  # chance that a censored record is not about headroom (common practice, no source)
EXACT = 0.2  # with less some readings turn each other on and off for ever
HALF_LOG_2PI = 0.5 * float(np.log(2.0 * np.pi))
SCALES = (0.05, 0.15, 0.3, 0.5, 0.7, 0.9, 1.1)  # of the present s2, tried with each


@dataclass(frozen=True)
class Sites:
    """Gaussian stand-ins for N records.

    response, weight: (N,). gain: sum over records of log (likelihood averaged over what the other readings say) less the
    same for the stand-in before this one, on which the posterior stood, to be added to the Gaussian log likelihood. spare:
    residual degrees of freedom that the stand-ins use beyond what the records tell of the noise (see `ballast`).
    """

    response: FloatArray
    weight: FloatArray
    gain: float
    spare: float


@dataclass(frozen=True)
class _Tilted:
    """Log of the averaged likelihood, moments of eta under it (mean as shift from the cavity's), d log Z / d log s2.

    least: precision that a stand-in has at least: a heavy tail may make eta less certain, which no Gaussian can say.
    """

    log_z: FloatArray
    shift: FloatArray
    variance: FloatArray
    by_noise: FloatArray
    least: FloatArray


def face_value(y: FloatArray, censoring: NDArray[np.int8]) -> Sites:
    """Readings taken as Gaussian and censored records, whose limit is no reading, left for later."""
    seen = censoring == 0
    weight = np.where(seen, 1.0, LEAST_WEIGHT) if seen.any() else np.ones_like(y)
    return Sites(y, weight, 0.0, float((~seen).sum()) if seen.any() else 0.0)


def revise(
    sites: Sites,
    y: FloatArray,
    censoring: NDArray[np.int8],
    mean: FloatArray,
    variance: FloatArray,
    noise: float,
    degrees: float,
    step: float | FloatArray = 1.0,
    kept: float = 1.0,
    doubt: FloatArray | None = None,
) -> Sites:
    """New stand-ins at the posterior `mean`, `variance` (N,) of the latent readings that the present ones gave.

    y (N,) ln ratio or limit; censoring (N,) +1 at or above y, -1 at or below, 0 read; noise: s2 (scale squared);
    degrees: nu (inf = Gaussian); step: share of the way that is gone (damping), one or (N,); kept: share of the precision that a
    reading's noise is expected to have, which its stand-in keeps at least. 1 overstates what readings under heavy tails
    tell, but is steady while variances are searched for; EXACT leaves room for what they really tell. doubt: (N,) variance
    of Gaussian readings that stand for themselves, NaN for the others.
    """
    precision = sites.weight / noise
    left = np.maximum(1.0 - precision * variance, 1e-9)  # share of the posterior precision that others give
    cavity_variance = variance / left
    cavity_mean = mean - precision * cavity_variance * (sites.response - mean)
    seen = censoring == 0
    parts = np.empty((5, y.size))
    if seen.any():
        here = _read(y[seen] - cavity_mean[seen], cavity_variance[seen], noise, degrees)
        parts[:, seen] = here.log_z, here.shift, here.variance, here.by_noise, here.least
    if not seen.all():
        hidden = ~seen
        sign = censoring[hidden].astype(float)
        here = _beyond(sign * (cavity_mean[hidden] - y[hidden]), sign, cavity_variance[hidden], noise, degrees)
        parts[:, hidden] = here.log_z, here.shift, here.variance, here.by_noise, here.least
    log_z, shift, tilted, by_noise, least = parts
    least = np.maximum(kept * least, LEAST_WEIGHT / noise)
    wanted = np.maximum((cavity_variance - tilted) / (tilted * cavity_variance), least)
    pull = wanted * cavity_mean + shift * (1.0 / cavity_variance + wanted)
    new = precision + step * (wanted - precision)
    response = (precision * sites.response + step * (pull - precision * sites.response)) / new
    if doubt is not None:
        own = np.isfinite(doubt)
        new, response = np.where(own, 1.0 / doubt, new), np.where(own, y, response)
        by_noise = np.where(own, 0.0, by_noise)
    spread = cavity_variance + 1.0 / precision  # of the present stand-ins: off rest the gain is then wrong in second order only
    gained = log_z + 0.5 * np.log(2.0 * np.pi * spread) + 0.5 * (sites.response - cavity_mean) ** 2 / spread
    gain = float(np.sum(gained if doubt is None else gained[~own]))
    left_over = (response - cavity_mean) / (1.0 + new * cavity_variance)  # response less the mean with the new stand-in
    used = new * (left_over**2 + cavity_variance / (1.0 + new * cavity_variance))
    spare = float(np.sum(1.0 - used + 2.0 * by_noise))
    return Sites(response, noise * new, gain, spare)


def _shares(terms: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log of the row sums of exp(terms) (n,), and each term's share of them (n, k)."""
    top = terms.max(axis=1)
    parts = np.exp(terms - top[:, None])
    total = parts.sum(axis=1)
    parts /= total[:, None]
    return top + np.log(total), parts


def _normals(
    off: FloatArray, variance: FloatArray, noise: float, degrees: float
) -> Iterator[tuple[float, FloatArray, FloatArray]]:
    """Each normal of the noise by its factor, with its part (n,) of the density of readings `off` and 1 / its total variance
    (n,); one after the other, so that what is worked on stays near the processor.

    Parts are relative to the exponent of the widest normal, which is the largest far out and keeps the sum above nought.
    """
    half, (chances, factors) = 0.5 * off * off, grains(degrees)
    least = 1.0 / (variance + noise * factors.max())
    for chance, factor in zip(chances, factors):
        inverse = noise * factor + variance
        np.reciprocal(inverse, out=inverse)
        part = least - inverse
        part *= half
        np.exp(part, out=part)
        part *= np.sqrt(inverse)
        part *= chance
        yield float(factor), part, inverse


def _log_density(total: FloatArray, off: FloatArray, variance: FloatArray, noise: float, degrees: float) -> FloatArray:
    """Log of the density whose parts add up to `total`."""
    widest = 1.0 / (variance + noise * grains(degrees)[1].max())
    return np.log(total) - 0.5 * off * off * widest - HALF_LOG_2PI


def _read(off: FloatArray, variance: FloatArray, noise: float, degrees: float) -> _Tilted:
    """Readings lying `off` (n,) from what the others say, whose own uncertainty is `variance` (n,)."""
    total, near, square, least = np.zeros((4, off.size))
    for factor, part, inverse in _normals(off, variance, noise, degrees):
        total += part
        least += part / (noise * factor)
        part *= inverse
        near += part  # share-weighted 1 / (variance + noise)
        part *= inverse
        square += part
    near /= total
    square /= total
    least /= total
    shift = variance * near * off
    second = variance - variance**2 * near + variance**2 * off**2 * square
    # noise * factor * inverse = 1 - variance * inverse
    by_noise = 0.5 * (off**2 * (near - variance * square) - (1.0 - variance * near))
    log_z = _log_density(total, off, variance, noise, degrees)
    return _Tilted(log_z, shift, np.maximum(second - shift**2, 1e-12 * variance), by_noise, least)


def _beyond(inside: FloatArray, sign: FloatArray, variance: FloatArray, noise: float, degrees: float) -> _Tilted:
    """Censored records: the others put eta `inside` (n,) its limit, on the side that `sign` says it lies on.

    A test may have failed for another reason than lost headroom (a dead sensor, no gas), and a display may stand at its
    limit for another sensor's sake; the chance of it keeps such records from bending the path or the gas.
    """
    chance, factor = grains(degrees)
    root = np.sqrt(variance[:, None] + noise * factor)
    z = inside[:, None] / root
    terms = np.log(chance) + special.log_ndtr(z)
    other = np.where(sign > 0.0, OTHER_CAUSE[1], OTHER_CAUSE[-1])
    inner, _ = _shares(terms)
    log_z = np.logaddexp(np.log(other), np.log1p(-other) + inner)
    scale = (np.log1p(-other) - log_z)[:, None] + np.log(chance)
    density = np.exp(scale - 0.5 * z**2 - 0.5 * np.log(2.0 * np.pi))
    slope = (density / root).sum(axis=1)
    bend = -(density * z / root**2).sum(axis=1) - slope**2
    by_noise = -0.5 * (density * z * (noise * factor / root**2)).sum(axis=1)
    tilted = np.maximum(variance * (1.0 + variance * bend), 1e-9 * variance)
    least = np.where(inside < 0.0, slope / (np.abs(inside) + np.sqrt(variance + noise)), 0.0)
    return _Tilted(log_z, sign * variance * slope, tilted, by_noise, least)


def choose_degrees(
    sites: Sites, y: FloatArray, seen: NDArray[np.bool_], mean: FloatArray, variance: FloatArray, noise: float
) -> float:
    """Degrees of freedom under which each reading is likeliest given all others, at the scale that suits them best."""
    precision = sites.weight[seen] / noise
    left = np.maximum(1.0 - precision * variance[seen], 1e-9)
    cavity = variance[seen] / left
    off = y[seen] - mean[seen] + precision * cavity * (sites.response[seen] - mean[seen])
    scores = [_at_best_scale(off, cavity, noise, degrees) + DEGREES_PRIOR[degrees] for degrees in DEGREES]
    return DEGREES[int(np.argmax(scores))]


def _at_best_scale(off: FloatArray, variance: FloatArray, noise: float, degrees: float) -> float:
    """Largest log likelihood over SCALES, which has one peak: climbed to from the middle."""

    def tried(k: int) -> float:
        if not 0 <= k < len(SCALES):
            return -np.inf
        scale, total = noise * SCALES[k], np.zeros(off.size)
        for _, part, _ in _normals(off, variance, scale, degrees):
            total += part
        return float(_log_density(total, off, variance, scale, degrees).sum())

    at = len(SCALES) // 2
    best, below, above = (tried(k) for k in (at, at - 1, at + 1))
    way, ahead = (-1, below) if below > above else (1, above)
    while ahead > best:
        at, best = at + way, ahead
        ahead = tried(at + way)
    return best


def ballast(noise: float, spare: float, floor: float) -> float:
    """Square, in units of the residual variance's sum of squares, of one pseudo-reading that no effect explains.

    It believes in a noise of `floor` (standard deviation) with the weight of one reading, and gives back `spare` degrees
    of freedom: a variance estimated as squares / count with noise * spare more squares rests where squares / (count -
    spare) would.
    """
    return max(floor**2 + noise * spare, 0.0)
