"""Kernel: what the paths of each stratum have in common, by penalised likelihood.

The scan for steps, swaps and bad readings needs the prior of a path (how levels and slopes spread, how large the
noise is) that those very faults do not spoil: the first estimate counts innovations by a Student density and clips
them, a second one, after the faults were found and taken out, is Gaussian.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensorhealth.health.path_filter import FloatArray, Forward, IntArray, Padded, PathPrior, Series, forward, pad
from sensorhealth.health.scoring import minimise

DEGREES = 5.0
MOST_SERIES = 300
MOST_READINGS = 40
CENTRE = np.array([0.0, -0.10, np.log(0.12), 0.0, np.log(0.06), np.log(0.03), np.log(0.015), 0.0])
WIDTH = np.array([0.5, 0.2, 1.0, 0.7, 1.0, 1.0, 1.0, 0.25])
"""Weak prior of (level, slope per year, ln sd level, atanh correlation, ln sd slope, ln sd noise, ln sd wander, ln
power): common practice, no source; a few sensors are enough to overrule it."""
STEP = 1e-4
LN_NOISE = 5
ROUGHLY, CLOSELY = 1e-1, 1e-2
"""Gain in ln likelihood at which a search ends: the robust one is only where the other begins."""


@dataclass(frozen=True)
class Sample:
    """Some series of every stratum side by side, (readings, series): y, ln age, seen, shock; stratum (series,)."""

    y: FloatArray
    log_ages: FloatArray
    seen: NDArray[np.bool_]
    shock: FloatArray
    stratum: IntArray

    def of(self, strata: IntArray) -> Sample:
        """The series of some strata (ascending), which are then numbered 0, 1, ..."""
        mine = np.isin(self.stratum, strata)
        longest = int(np.flatnonzero(np.logical_or.reduce(self.seen[:, mine], axis=1)).max(initial=0)) + 1
        return Sample(
            self.y[:longest, mine],
            self.log_ages[:longest, mine],
            self.seen[:longest, mine],
            self.shock[:longest, mine],
            np.searchsorted(strata, self.stratum[mine]),
        )


def estimate_priors(
    series: Series,
    stratum: IntArray,
    *,
    robust: bool = True,
    begin: Sequence[PathPrior] | None = None,
    linear: bool = False,
    least_noise: FloatArray | None = None,
) -> list[PathPrior]:
    """Estimate the prior of the paths of every stratum, all of them at once.

    series: y is ln headroom ratio with the gas removed, seen False where a reading is left out, shock the variance of a
    known step before the reading, ages ascending. stratum (series,): of which stratum (0, 1, ...) each is. At most
    MOST_SERIES series of a stratum and MOST_READINGS readings of each are used, evenly taken. robust: Student innovations;
    begin: priors to start from; linear: the clock is age itself; least_noise (strata,): standard deviation that the noise
    does not go below.
    """
    sample = _sample(series, stratum)
    strata = int(stratum.max(initial=-1)) + 1
    centre = np.tile(CENTRE, (strata, 1))
    for k in range(strata):
        own = sample.stratum == k
        told = sample.y[:, own][sample.seen[:, own]]
        centre[k, 0] = np.median(told) if len(told) else 0.0
    width = 6.0 * WIDTH
    if linear:
        width[-1] = 0.0
    degrees = DEGREES if robust else None

    def criterion(points: FloatArray, which: IntArray) -> tuple[FloatArray, FloatArray]:
        value, gradient = _negative_loglik(points, sample.of(which), degrees)
        off = (points - centre[which]) / WIDTH
        return value + 0.5 * (off**2).sum(axis=1), gradient + off / WIDTH

    low, high = centre - width, centre + width
    if least_noise is not None:
        low[:, LN_NOISE] = np.clip(np.log(np.maximum(least_noise, 1e-300)), low[:, LN_NOISE], high[:, LN_NOISE])
    x0 = np.clip(centre if begin is None else np.array([_pack(prior) for prior in begin]), low, high)
    curvature = _information(x0, sample) + np.diag(WIDTH**-2.0)
    return [_unpack(x) for x in minimise(criterion, curvature, x0, low, high, ROUGHLY if robust else CLOSELY)]


def _sample(series: Series, stratum: IntArray) -> Sample:
    """Evenly taken series and readings."""
    start, count = series.start, series.count
    chosen = []
    for k in range(int(stratum.max(initial=-1)) + 1):
        own = np.flatnonzero((stratum == k) & (count > 0))
        chosen.append(own[np.unique(np.linspace(0, len(own) - 1, min(len(own), MOST_SERIES)).astype(int))])
    which = np.concatenate(chosen)
    which = which[np.argsort(-count[which], kind="stable")]
    pieces = [start[i] + np.unique(np.linspace(0, count[i] - 1, min(count[i], MOST_READINGS)).astype(int)) for i in which]
    index = np.concatenate(pieces)
    length = np.array([len(piece) for piece in pieces])
    first = np.cumsum(length) - length
    total = np.cumsum(series.shock)[index]
    gap = np.diff(total, prepend=0.0)
    gap[first] = series.shock[index[first]]
    ages = np.maximum.accumulate(np.maximum(pad(series.age[index], first, length, 0.0), 0.0), axis=0)
    with np.errstate(divide="ignore"):
        log_ages = np.log(ages)
    values, shocks = pad(series.y[index], first, length, 0.0), pad(gap, first, length, 0.0)
    return Sample(values, log_ages, pad(series.seen[index], first, length, False), shocks, stratum[which])


def _copies(points: FloatArray, data: Sample, degrees: float | None) -> Forward:
    """One sweep over copies of the series, (readings, copies, series): each stratum at its row of `points`, and then
    with one parameter after the other moved by STEP."""
    size = points.shape[1]
    moved = points + np.vstack([np.zeros(size), np.eye(size) * STEP])[:, None, :]
    each = [[_unpack(point) for point in copy] for copy in moved]
    of = data.stratum
    mean = np.array([[prior.mean for prior in copy] for copy in each])[:, of].transpose(2, 0, 1)
    spread = np.array([[prior.spread for prior in copy] for copy in each])[:, of].transpose(2, 3, 0, 1)
    wander, noise = (np.array([[getattr(p, name) for p in copy] for copy in each])[:, of] for name in ("wander", "noise"))
    usual, late = (np.exp(np.exp(power)[of] * data.log_ages) for power in moved[[0, size], :, -1])
    clock = np.repeat(usual[:, None], size + 1, axis=1)
    clock[:, size] = late
    wide = Padded(data.y[:, None], clock, np.broadcast_to(noise, clock.shape), data.seen[:, None], data.shock[:, None])
    return forward(wide, mean, spread, wander, degrees)


def _negative_loglik(points: FloatArray, data: Sample, degrees: float | None) -> tuple[FloatArray, FloatArray]:
    """Negative log-likelihood of each stratum at its row of `points`, and its gradient."""
    loglik = _copies(points, data, degrees).loglik
    total = np.stack([np.bincount(data.stratum, copy, minlength=len(points)) for copy in loglik])
    return -total[0], -(total[1:] - total[0]).T / STEP


def _information(points: FloatArray, data: Sample) -> FloatArray:
    """Fisher's information of each stratum, (strata, parameters, parameters): that of independent normal innovations,
    the sum of dm dm' / v + dv dv' / (2 v^2) for their means m and variances v."""
    sweep = _copies(points, data, None)
    parts = sweep.innovation, sweep.variance
    found = np.empty((*points.shape, points.shape[1]))
    for k in range(len(points)):
        own = data.stratum == k
        seen = data.seen[:, own]
        at, *slopes = ((part[:, :, own].transpose(0, 2, 1)[seen]) for part in (parts[1], *parts))
        by_mean, by_variance = ((part[:, 1:] - part[:, :1]) / STEP for part in slopes)
        v = at[:, :1]
        scaled = np.concatenate([by_mean / np.sqrt(v), by_variance / (np.sqrt(2) * v)])
        found[k] = scaled.T @ scaled
    return found


def _unpack(x: FloatArray) -> PathPrior:
    sd = np.exp(x[[2, 4]])
    cross = np.tanh(x[3]) * sd[0] * sd[1]
    spread = np.array([[sd[0] ** 2, cross], [cross, sd[1] ** 2]])
    return PathPrior(x[:2].copy(), spread, float(np.exp(2 * x[5])), float(np.exp(2 * x[6])), float(np.exp(x[7])))


def _pack(prior: PathPrior) -> FloatArray:
    sd = np.sqrt(np.diag(prior.spread))
    cross = np.arctanh(np.clip(prior.spread[0, 1] / (sd[0] * sd[1]), -0.999, 0.999))
    scale = 0.5 * np.log(np.array([prior.noise, prior.wander], dtype=float))
    return np.array([*prior.mean, np.log(sd[0]), cross, np.log(sd[1]), *scale, np.log(prior.power)])
