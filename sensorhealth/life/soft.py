"""The soft end alone: when latent paths first meet their limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .lifedata import DAYS_PER_YEAR
from .passage import first_passage

if TYPE_CHECKING:
    from ..degradation.paces import Paces
    from ..degradation.posterior import PathPosterior

Array = NDArray[np.float64]

_LEAST_WEIGHT = 1e-4  # mixture components below this weight are left out
_NODES = 20  # quadrature nodes where the path wanders; error below 4e-5 in probability


def default_grid(horizon_days: float) -> Array:
    """Days at which remaining life is tabulated: weekly for a year, monthly to year four, two-monthly after."""
    knots = np.concatenate([np.arange(0, 371, 7), np.arange(395, 1462, 30), np.arange(1520, max(horizon_days, 1521), 60)])
    return np.append(knots[knots < horizon_days], horizon_days).astype(float)


def soft_cdf(path: PathPosterior, ages: Array, days: Array, margin: float) -> Array:
    """Chance (n, m) that the latent paths meet ln(1 + margin) within `days` (m,), were there no sudden end.

    ages: (n,) years on the as-of date, at which the posterior holds. A mixture over the posterior's components.
    """
    limit = np.log1p(margin)
    weight = np.where(path.weight < _LEAST_WEIGHT, 0.0, path.weight)
    later = ages[:, None] + days / DAYS_PER_YEAR
    mixture = np.zeros(later.shape)
    for j in np.flatnonzero(weight):
        wander = np.full(ages.shape, path.brownian[j])
        level, slope, covariance, elapsed, spent = path.curve[j].straightened(
            path.level[j] - limit, path.slope[j], path.covariance[j], wander, path.phi_now[j], later
        )
        elapsed[:, 0] = 0.0
        mixture += weight[j] * first_passage(level, slope, covariance, elapsed, spent, nodes=_NODES)
    return np.maximum.accumulate(mixture / weight.sum(), axis=1)


def paced_cdf(path: PathPosterior, ages: Array, days: Array, margin: float, paces: Paces) -> Array:
    """As `soft_cdf`, where each life goes on at one of the paces of its stratum: what is ahead comes so much sooner or later."""
    if paces.factor.size == 1:
        return soft_cdf(path, ages, days, margin)
    beyond = days[-1] * np.geomspace(1.0, float(paces.factor.max()), 12)[1:]
    wide = np.concatenate([days, beyond])
    steady = soft_cdf(path, ages, wide, margin)
    mixed = np.zeros((ages.size, days.size))
    for factor, weight in zip(paces.factor, paces.weight):
        place = np.clip(np.searchsorted(wide, factor * days, side="right") - 1, 0, wide.size - 2)
        share = np.clip((factor * days - wide[place]) / (wide[place + 1] - wide[place]), 0.0, 1.0)
        mixed += weight * ((1.0 - share) * steady[:, place] + share * steady[:, place + 1])
    return mixed
