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

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Series:
    """Flat readings of many series: y, age (years), seen, shock, and start, count of each series in them.

    doubt: variance that a reading has beyond the noise of all (its gas is not known, say); None for none.
    """

    y: FloatArray
    age: FloatArray
    seen: NDArray[np.bool_]
    shock: FloatArray
    start: IntArray
    count: IntArray
    doubt: FloatArray | None = None


@dataclass(frozen=True)
class PathPrior:
    """What the paths of one stratum have in common.

    mean (2,): level at g = 0 (ln ratio) and slope per unit g. spread (2, 2): their covariance between sensors. noise:
    variance of one reading. wander: Brownian variance per unit g. power: the clock, g = age_years ** power. Series of
    several strata side by side have one each (`of_each`): all with the series as a further axis at the end.
    """

    mean: FloatArray
    spread: FloatArray
    noise: float | FloatArray
    wander: float | FloatArray
    power: float | FloatArray = 1.0

    def clock(self, age_years: FloatArray) -> FloatArray:
        """g of an age in years."""
        return np.maximum(age_years, 0.0) ** self.power

    def of(self, series: IntArray) -> PathPrior:
        """That of some series, where each has its own."""
        if np.ndim(self.noise) == 0:
            return self
        return PathPrior(*(np.asarray(getattr(self, field.name))[..., series] for field in fields(self)))

    @property
    def start(self) -> tuple[FloatArray, FloatArray]:
        """Mean (2, series or 1) and spread (2, 2, series or 1), as `forward` takes them."""
        return self.mean.reshape(2, -1), self.spread.reshape(2, 2, -1)


def of_each(priors: Sequence[PathPrior], stratum: IntArray) -> PathPrior:
    """The prior of each series' stratum (0, 1, ...), so that series of all strata go side by side."""
    return PathPrior(*(np.stack([getattr(p, field.name) for p in priors], axis=-1)[..., stratum] for field in fields(PathPrior)))


@dataclass(frozen=True)
class Padded:
    """Series side by side, one column each, short ones padded at the end: all arrays (readings, series).

    y; g (ascending; short series go on with their last); noise (variance, any positive number where not seen); seen;
    shock (variance of a level step before the reading).
    """

    y: FloatArray
    g: FloatArray
    noise: FloatArray
    seen: NDArray[np.bool_]
    shock: FloatArray


@dataclass(frozen=True)
class Forward:
    """One forward sweep. loglik (series,); innovation, variance (infinite where not seen), gain_level, gain_slope (readings,
    series)."""

    loglik: FloatArray
    innovation: FloatArray
    variance: FloatArray
    gain_level: FloatArray
    gain_slope: FloatArray


@dataclass(frozen=True)
class Scores:
    """Scores and informations, each (readings, series): estimate = score / information, z = score / sqrt(information).

    step_*: a level step just before the reading (row 0 asks whether the start is unusual). error_*: an error in this
    reading alone (NaN where it is not seen). bend_*: another slope from the reading before on. start_score (2, series),
    start_information (2, 2, series): of a shift of (level at g = 0, slope): with prior mean m and covariance P their
    posterior is m + P score, P - P information P.
    """

    step_score: FloatArray
    step_information: FloatArray
    error_score: FloatArray
    error_information: FloatArray
    bend_score: FloatArray
    bend_information: FloatArray
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
    """Kalman filter over all series; mean (2, series or 1), spread (2, 2, series or 1), wander (series) or one number.

    Copies of the series under other priors go side by side as (readings, copies, series), with 1 for what they have in
    common. Longer series first are faster: rows go on only as far as the last column that still has readings.
    degrees: None for Gaussian; else innovations count by a Student density of so many degrees of freedom and are
    clipped at three standard deviations before they move the path, so that a few bad readings or jumps do not set the
    scale.
    """
    shape = np.broadcast_shapes(data.y.shape, data.g.shape, data.noise.shape)
    steps = np.diff(data.g, axis=0, prepend=0.0)
    shocked = np.abs(data.shock).reshape(shape[0], -1).sum(axis=1) > 0
    width = _width(data.seen)
    innovation, variance, gain_level, gain_slope = np.zeros((4, *shape))
    variance[...] = np.inf
    state = [np.broadcast_to(part, shape[1:]).astype(float) for part in (*mean, spread[0, 0], spread[0, 1], spread[1, 1], wander)]
    for j in range(shape[0]):
        columns = (..., slice(width[j]))
        level, slope, p00, p01, p11, wandering = state = [part[columns] for part in state]
        step, seen = steps[j][columns], data.seen[j][columns]
        v, surprise, k0, k1 = (part[j][columns] for part in (variance, innovation, gain_level, gain_slope))
        level += slope * step
        turned = step * p11
        turned += p01
        p00 += step * (p01 + turned + wandering)
        p01[...] = turned
        if shocked[j]:
            p00 += data.shock[j][columns]
        np.add(p00, data.noise[j][columns], out=v, where=seen)
        np.divide(p00, v, out=k0)
        np.divide(p01, v, out=k1)
        np.subtract(data.y[j][columns], level, out=surprise, where=seen)
        moved = surprise if degrees is None else _clipped(surprise, 3.0 * np.sqrt(v))
        level += k0 * moved
        slope += k1 * moved
        p11 -= k1 * p01
        kept = 1.0 - k0
        p00 *= kept
        p01 *= kept
    loglik = np.where(data.seen, _log_density(innovation, variance, degrees), 0.0).sum(axis=0)
    return Forward(loglik, innovation, variance, gain_level, gain_slope)


def _width(seen: NDArray[np.bool_]) -> IntArray:
    """Number of columns up to the last one that is seen at each row or later, (rows,)."""
    own: NDArray[np.bool_] = np.logical_or.reduce(seen.reshape(len(seen), -1, seen.shape[-1]), axis=1)
    last = np.where(np.logical_or.reduce(own, axis=1), seen.shape[-1] - own[:, ::-1].argmax(axis=1), 0)
    return np.maximum.accumulate(last[::-1])[::-1]


def _clipped(value: FloatArray, limit: FloatArray) -> FloatArray:
    return np.minimum(np.maximum(value, -limit), limit)


def _log_density(innovation: FloatArray, variance: FloatArray, degrees: float | None) -> FloatArray:
    """Log density of the innovations up to a constant."""
    square = innovation * innovation
    square /= variance
    if degrees is None:
        return -0.5 * (np.log(2 * np.pi * variance) + square)
    return -0.5 * (np.log(variance) + (degrees + 1) * np.log(1.0 + square / degrees))


def readings_loglik(data: Padded, sweep: Forward) -> FloatArray:
    """Gaussian log-likelihood of each reading given those before it, (readings, series); 0 where not seen."""
    return np.where(data.seen, _log_density(sweep.innovation, sweep.variance, None), 0.0)


def scores(data: Padded, sweep: Forward) -> Scores:
    """Backward sweep: score and information of a step before, and of an error in, every reading."""
    rows, series = data.y.shape
    steps = np.diff(data.g, axis=0, prepend=0.0)
    inverse = 1 / sweep.variance
    surprise = inverse * sweep.innovation
    step_score, step_information, error_score, error_information, bend_score, bend_information = np.empty((6, rows, series))
    r0, r1, n00, n01, n11 = np.zeros((5, series))
    for j in range(rows - 1, -1, -1):
        k0, k1 = sweep.gain_level[j], sweep.gain_slope[j]
        through0, through1 = k0 * n00 + k1 * n01, k0 * n01 + k1 * n11
        error = np.subtract(surprise[j], k0 * r0 + k1 * r1, out=error_score[j])
        information = np.add(inverse[j], k0 * through0 + k1 * through1, out=error_information[j])
        r0 = np.add(error, r0, out=step_score[j])
        n00 = np.add(n00 - 2 * through0, information, out=step_information[j])
        n01 = n01 - through1
        r1 = np.add(r1, steps[j] * r0, out=bend_score[j])
        n11 = np.add(n11, steps[j] * (2 * n01 + steps[j] * n00), out=bend_information[j])
        n01 = n01 + steps[j] * n00
    error_score[~data.seen] = error_information[~data.seen] = np.nan
    start = np.stack([r0, r1])
    start_information = np.stack([np.stack([n00, n01]), np.stack([n01, n11])])
    return Scores(
        step_score, step_information, error_score, error_information, bend_score, bend_information, start, start_information
    )
