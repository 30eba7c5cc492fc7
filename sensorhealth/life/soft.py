"""The soft end alone: when latent paths first meet their limit."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..degradation.courses import Course, leaving
from ..degradation.knees import SOONER, Knees, as_foretold, sooner
from ..degradation.paces import STEADY, Paces
from ..degradation.places import SOONER as OWN_SOONER
from ..degradation.places import Places
from .lifedata import DAYS_PER_YEAR
from .passage import first_passage

if TYPE_CHECKING:
    from ..degradation.posterior import PathPosterior

Array = NDArray[np.float64]

_LEAST_WEIGHT = 1e-4  # mixture components below this weight are left out
_FEW = 20  # lives to a law of the factors from which on it is worth a matrix
_NODES = 20  # quadrature nodes where the path wanders; error below 4e-5 in probability


def default_grid(horizon_days: float) -> Array:
    """Days at which remaining life is tabulated: weekly for a year, monthly to year four, two-monthly after."""
    knots = np.concatenate([np.arange(0, 371, 7), np.arange(395, 1462, 30), np.arange(1520, max(horizon_days, 1521), 60)])
    return np.append(knots[knots < horizon_days], horizon_days).astype(float)


def soft_cdf(path: PathPosterior, ages: Array, days: Array, margin: float | Array) -> Array:
    """Chance (n, m) that the latent paths meet ln(1 + margin) within `days` (m,), were there no sudden end.

    ages: (n,) years on the as-of date, at which the posterior holds. margin: one, or (n,) of each. A mixture over the
    posterior's components.
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


def nearer(margin: float, size: float) -> float:
    """The margin whose end lies `size` (ln ratio) nearer than that of `margin`."""
    return margin if size == 0.0 else float(np.expm1(np.log1p(margin) + size))


def thinned(chance: Callable[[Array, float], Array], days: Array, margin: float) -> Array:
    """Chances (n, m) by each of `days` at a margin, worked out for every other day: what only falls ask for weighs little."""
    some = np.append(days[:-1:2], days[-1])
    place, share = cells(some, days)
    found = chance(some, margin)
    return (1.0 - share) * found[:, place] + share * found[:, place + 1]


def widened_grid(days: Array, factor: Array) -> Array:
    """The grid first, and then days beyond it as far as the largest factor on the time ahead asks."""
    most = float(factor.max())
    return np.concatenate([days, days[-1] * np.geomspace(1.0, most, 13)[1:]]) if most > 1.0 else days


def scaled(cdf: Array, wide: Array, days: Array, factor: Array, weight: Array) -> Array:
    """From chances (n, w) by each of `wide` to those (n, m) by `days`, where what is ahead comes `factor` (k,) times as soon with
    the weights (k,) or (n, k)."""
    laws, law = np.unique(np.atleast_2d(weight), axis=0, return_inverse=True)
    law = np.broadcast_to(law, len(cdf))
    mixed = np.zeros((len(cdf), days.size))
    if len(laws) * _FEW <= len(cdf):
        for mine, own in ((law == k, laws[k]) for k in range(len(laws))):
            mixed[mine] = cdf[mine] @ _moved(wide, days, factor, own)
        return mixed
    for number in np.flatnonzero(laws.any(axis=0)):
        place, share = cells(wide, factor[number] * days)
        mixed += laws[law, number, None] * ((1.0 - share) * cdf[:, place] + share * cdf[:, place + 1])
    return mixed


def cells(wide: Array, when: Array) -> tuple[NDArray[np.intp], Array]:
    """The day of `wide` at or before each of `when`, and how far it lies on the way to the next."""
    place = np.clip(np.searchsorted(wide, when, side="right") - 1, 0, wide.size - 2)
    return place, np.clip((when - wide[place]) / (wide[place + 1] - wide[place]), 0.0, 1.0)


def _moved(wide: Array, days: Array, factor: Array, weight: Array) -> Array:
    """The matrix (w, m) that takes chances by each of `wide` to those by `days`, for one law (k,) of the factors."""
    matrix = np.zeros((wide.size, days.size))
    column = np.arange(days.size)
    for one, own in zip(factor, weight):
        place, share = cells(wide, one * days)
        matrix[place, column] += own * (1.0 - share)
        matrix[place + 1, column] += own * share
    return matrix


def placed_cdf(
    path: PathPosterior, ages: Array, days: Array, margin: float | Array, places: Places | None, *, back: bool = False
) -> Array:
    """As `soft_cdf`, where each life has a knee of its own; back: as known from its readings up to these ages alone."""
    if places is None:
        return soft_cdf(path, ages, days, margin)
    wide = widened_grid(days, OWN_SOONER)
    law = places.sooner(path.life_id, ages, np.log1p(margin), back=back)
    cdf = soft_cdf(path, ages, wide, margin)
    found = scaled(cdf, wide, days, OWN_SOONER, law)
    found[:, 0] = cdf[:, 0]  # where it stands now is not in doubt
    return np.maximum.accumulate(found, axis=1)


def paced_cdf(
    path: PathPosterior,
    ages: Array,
    days: Array,
    margin: float,
    paces: Paces = STEADY,
    knees: Knees | None = None,
    places: Places | None = None,
    course: Course | None = None,
) -> Array:
    """As `placed_cdf`, where each life goes on at one of the paces of its stratum, may meet a knee that none has met yet, and may
    leave a course that none has gone to its end: what is ahead comes so much sooner or later."""
    paced = widened_grid(days, paces.factor)
    if knees is None and course is None:
        cdf = placed_cdf(path, ages, paced, margin, places)
    else:
        wide = widened_grid(paced, SOONER)
        cdf = placed_cdf(path, ages, wide, margin, places)
        limit = float(np.log1p(margin))
        law = as_foretold(ages.size) if knees is None else sooner(knees, path, ages, limit)
        law = law if course is None else leaving(law, course, path, ages, limit)
        cdf = scaled(cdf, wide, paced, SOONER, law)
    return cdf if paces.factor.size == 1 else scaled(cdf, paced, days, paces.factor, paces.weight)
