"""Kernel: many small maximum-likelihood problems side by side, one evaluation for all of them at a time.

Quasi-Newton steps (BFGS with Powell's damping) that begin with Fisher's information for the curvature, each cut back
until it gains something, as Levenberg and Marquardt do: Nocedal and Wright (2006), Numerical Optimization, 2nd ed.,
chapters 6, 10 and 18.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Criterion = Callable[[FloatArray, NDArray[np.intp]], tuple[FloatArray, FloatArray]]

MOST_STEPS = 60
FIRST_CUT, LARGEST_CUT = 1e-3, 1e8


def minimise(
    criterion: Criterion, curvature: FloatArray, start: FloatArray, low: FloatArray, high: FloatArray, enough: float
) -> FloatArray:
    """Where each of many criteria is smallest within its bounds, (problems, parameters).

    criterion: of points (m, parameters) of the problems numbered by the second argument (m,), it gives the values (m,)
    and gradients (m, parameters). curvature: positive definite, at the start (problems, parameters, parameters); it may
    be approximate. start, low, high: (problems, parameters); parameters whose bounds are equal stay. A problem is done
    when a full step would gain less than `enough`, or none however short gains anything.
    """
    x = np.clip(start, low, high)
    value, gradient = criterion(x, np.arange(len(x)))
    curvature = curvature.copy()
    cut = np.full(len(x), FIRST_CUT)
    running = np.arange(len(x))
    for _ in range(MOST_STEPS):
        step, gain = _step(x, gradient, curvature, cut, low, high, running)
        worth = (gain > enough) | (cut[running] > 1.0)
        running, step, gain = running[worth], step[worth], gain[worth]
        if not len(running):
            break
        trial = criterion(x[running] + step, running)
        better = trial[0] < value[running]
        well = value[running] - trial[0] > 0.5 * gain
        cut[running] *= np.where(well, 0.1, np.where(better, 1.0, 10.0))
        kept = running[better]
        curvature[kept] = _updated(curvature[kept], step[better], (trial[1] - gradient[running])[better])
        x[kept] += step[better]
        value[kept], gradient[kept] = (part[better] for part in trial)
        running = running[cut[running] < LARGEST_CUT]
    return x


def _step(
    x: FloatArray,
    gradient: FloatArray,
    curvature: FloatArray,
    cut: FloatArray,
    low: FloatArray,
    high: FloatArray,
    which: NDArray[np.intp],
) -> tuple[FloatArray, FloatArray]:
    """Step of each problem, and what it is expected to gain; parameters at a bound that push outward stay there."""
    x, gradient, curvature, low, high = (part[which] for part in (x, gradient, curvature, low, high))
    free = (low < high) & ~((x <= low) & (gradient > 0)) & ~((x >= high) & (gradient < 0))
    slope = np.where(free, gradient, 0.0)
    hessian = curvature * (free[:, :, None] & free[:, None, :])
    own = np.einsum("kii->ki", hessian)
    own[...] = np.where(free, own * (1 + cut[which, None]), 1.0)
    step = np.asarray(np.linalg.solve(hessian, -slope[:, :, None])[:, :, 0], dtype=np.float64)
    step = np.minimum(np.maximum(x + step, low), high) - x
    return step, -0.5 * (slope * step).sum(axis=1)


def _updated(curvature: FloatArray, step: FloatArray, change: FloatArray) -> FloatArray:
    """BFGS with Powell's damping: the curvature stays positive definite."""
    along = np.einsum("kij,kj->ki", curvature, step)
    bend = np.maximum((step * along).sum(axis=1), 1e-300)
    seen = (step * change).sum(axis=1)
    enough = seen >= 0.2 * bend
    share = np.where(enough, 1.0, 0.8 * bend / np.where(enough, 1.0, bend - seen))[:, None]
    change = share * change + (1 - share) * along
    seen = np.maximum((step * change).sum(axis=1), 1e-300)
    outer = along[:, :, None] * along[:, None, :] / bend[:, None, None]
    return curvature - outer + change[:, :, None] * change[:, None, :] / seen[:, None, None]
