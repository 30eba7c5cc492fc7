"""Measures of how a forecast of one remaining life closes in on the truth as the end draws near. Arrays only.

Source: Saxena, Celaya, Saha, Saha and Goebel (2010), Int. J. Progn. Health Manag. 1(1): definitions as stated in each
docstring.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def prognostic_horizon(true: ArrayLike, predicted: ArrayLike, alpha: float) -> float:
    """Remaining life at the first prediction from which on every error is within alpha times the whole life.

    true: (k,) remaining life at the predictions, falling; its whole life is not known from it, so alpha is given in
    the unit of remaining life: pass alpha times the age at the end. NaN where not even the last prediction is within.
    """
    truth = np.asarray(true, dtype=float)
    within = np.abs(np.asarray(predicted, dtype=float) - truth) <= alpha
    if not within[-1]:
        return float("nan")
    outside = np.flatnonzero(~within)
    return float(truth[outside[-1] + 1 if outside.size else 0])


def alpha_lambda(true: ArrayLike, predicted: ArrayLike, alpha: float) -> NDArray[np.bool_]:
    """Whether each prediction lies within alpha of the true remaining life at that time, as a share of it."""
    truth = np.asarray(true, dtype=float)
    return np.abs(np.asarray(predicted, dtype=float) - truth) <= alpha * truth


def alpha_lambda_mass(true: ArrayLike, alpha: float, grid: ArrayLike, cdf: ArrayLike) -> Array:
    """Probability (n,) that a forecast puts within alpha of the true remaining life (n,); grid (m,), cdf (n, m)."""
    truth, days = np.asarray(true, dtype=float), np.asarray(grid, dtype=float)
    bounds = np.stack([(1.0 - alpha) * truth, (1.0 + alpha) * truth], axis=1)
    mass = [np.diff(np.interp(bound, days, row))[0] for bound, row in zip(bounds, np.asarray(cdf, dtype=float))]
    return np.array(mass)
