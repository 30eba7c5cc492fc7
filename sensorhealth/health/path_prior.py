"""Kernel: what the paths of one stratum have in common, by penalised likelihood.

The scan for steps, swaps and bad readings needs the prior of a path (how levels and slopes spread, how large the
noise is) that those very faults do not spoil: the first estimate counts innovations by a Student density and clips
them, a second one, after the faults were found and taken out, is Gaussian.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sensorhealth.health.path_filter import FloatArray, IntArray, Padded, PathPrior, forward, pad

DEGREES = 5.0
MOST_SERIES = 300
MOST_READINGS = 80
CENTRE = np.array([0.0, -0.10, np.log(0.12), 0.0, np.log(0.06), np.log(0.03), np.log(0.015), 0.0])
WIDTH = np.array([0.5, 0.2, 1.0, 0.7, 1.0, 1.0, 1.0, 0.25])
"""Weak prior of (level, slope per year, ln sd level, atanh correlation, ln sd slope, ln sd noise, ln sd wander, ln
power): common practice, no source; a few sensors are enough to overrule it."""
STEP = 1e-4


def estimate_prior(
    y: FloatArray,
    age: FloatArray,
    seen: NDArray[np.bool_],
    shock: FloatArray,
    start: IntArray,
    count: IntArray,
    *,
    robust: bool = True,
    begin: PathPrior | None = None,
    linear: bool = False,
) -> PathPrior:
    """Estimate the prior of the paths in one stratum.

    y (ln headroom ratio, gas removed), age (years), seen (False: left out), shock (variance of a known step before the
    reading) are flat; start, count (series,) say where each series lies in them, ages ascending within it. At most
    MOST_SERIES series and MOST_READINGS readings of each are used, evenly taken. linear: the clock is age itself.
    """
    from scipy.optimize import minimize

    data, ages = _sample(y, age, seen, shock, start, count)
    centre = CENTRE.copy()
    centre[0] = np.median(data.y[data.seen]) if data.seen.any() else 0.0
    degrees = DEGREES if robust else None
    size = len(centre)
    steps = np.vstack([np.zeros(size), np.eye(size) * STEP])

    def criterion(x: FloatArray) -> tuple[float, FloatArray]:
        points = x + steps
        values = -_loglik(points, data, ages, degrees) + 0.5 * (((points - centre) / WIDTH) ** 2).sum(axis=1)
        return float(values[0]), (values[1:] - values[0]) / STEP

    x0 = centre if begin is None else _pack(begin)
    width = WIDTH * np.where(linear & (np.arange(size) == size - 1), 0.0, 6.0)
    bounds = list(zip(centre - width, centre + width))
    found = minimize(criterion, x0, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 80})
    return _unpack(found.x)


def _sample(
    y: FloatArray, age: FloatArray, seen: NDArray[np.bool_], shock: FloatArray, start: IntArray, count: IntArray
) -> tuple[Padded, FloatArray]:
    """Padded sample of the series, with their ages."""
    chosen = np.unique(np.linspace(0, len(start) - 1, min(len(start), MOST_SERIES)).astype(int))
    pieces = [start[i] + np.unique(np.linspace(0, count[i] - 1, min(count[i], MOST_READINGS)).astype(int)) for i in chosen]
    index = np.concatenate(pieces)
    length = np.array([len(piece) for piece in pieces])
    begin = np.cumsum(length) - length
    total = np.cumsum(shock)[index]
    gap = np.diff(total, prepend=0.0)
    gap[begin] = shock[index[begin]]
    ages = np.maximum.accumulate(pad(age[index], begin, length, 0.0), axis=0)
    blank = np.zeros_like(ages)
    values, shocks = pad(y[index], begin, length, 0.0), pad(gap, begin, length, 0.0)
    return Padded(values, blank, blank, pad(seen[index], begin, length, False), shocks), ages


def _loglik(points: FloatArray, data: Padded, ages: FloatArray, degrees: float | None) -> FloatArray:
    """Log-likelihood at each row of `points`, all in one sweep over copies of the series side by side."""
    copies, series = len(points), ages.shape[1]
    priors = [_unpack(point) for point in points]
    each = np.repeat(np.arange(copies), series)
    clock = np.concatenate([prior.clock(ages) for prior in priors], axis=1)
    noise = np.broadcast_to(np.array([prior.noise for prior in priors])[each], clock.shape)
    wide = Padded(np.tile(data.y, copies), clock, noise, np.tile(data.seen, copies), np.tile(data.shock, copies))
    mean = np.array([prior.mean for prior in priors])[each].T
    spread = np.array([prior.spread for prior in priors])[each].transpose(1, 2, 0)
    wander = np.array([prior.wander for prior in priors])[each]
    return forward(wide, mean, spread, wander, degrees).loglik.reshape(copies, series).sum(axis=1)


def _unpack(x: FloatArray) -> PathPrior:
    sd = np.exp(x[[2, 4]])
    cross = np.tanh(x[3]) * sd[0] * sd[1]
    spread = np.array([[sd[0] ** 2, cross], [cross, sd[1] ** 2]])
    return PathPrior(x[:2].copy(), spread, float(np.exp(2 * x[5])), float(np.exp(2 * x[6])), float(np.exp(x[7])))


def _pack(prior: PathPrior) -> FloatArray:
    sd = np.sqrt(np.diag(prior.spread))
    cross = np.arctanh(np.clip(prior.spread[0, 1] / (sd[0] * sd[1]), -0.999, 0.999))
    scale = 0.5 * np.log([prior.noise, prior.wander])
    return np.array([*prior.mean, np.log(sd[0]), cross, np.log(sd[1]), *scale, np.log(prior.power)])
