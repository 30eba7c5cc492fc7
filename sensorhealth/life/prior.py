"""What is assumed of sudden ends before the records speak, stated as so many deaths' worth of evidence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..technologies import Technology
from .families import LifeFamily

Array = NDArray[np.float64]

SUDDEN_PER_YEAR = 0.02  # common practice, no source: two sensors in a hundred die at once in a year of service
WEAR_OUT_SHAPE = 5.0  # common practice, no source: Weibull shape 4 to 8 where a charge of lead is used up
SHAPE_SPREAD = 0.7  # standard deviation of the log shape: a factor of two either way is no surprise
_BINS = 24


@dataclass(frozen=True)
class CohortPrior:
    """A prior that is an imagined cohort: any family is drawn to its hazard with the weight of its deaths.

    edges: (k + 1,) ages of the cohort's bins. expected: (k,) deaths in each bin; at_risk: (k,) exposure in each.
    log_shape: log of the Weibull shape that the life is thought to be like, held with SHAPE_SPREAD. The log density
    is the Poisson likelihood of the expected deaths given the family's hazard.
    """

    edges: Array
    expected: Array
    at_risk: Array
    log_shape: float

    @property
    def deaths(self) -> float:
        """How many deaths the prior is worth."""
        return float(self.expected.sum())

    @property
    def exposure(self) -> float:
        """Exposure that goes with them."""
        return float(self.at_risk.sum())

    def __call__(self, family: LifeFamily, theta: Array) -> Array:
        """Log density, up to a constant, at theta (..., p)."""
        values = np.asarray(theta, dtype=float)
        risen = np.diff(family.cumulative_hazard(self.edges, values[..., None, :]), axis=-1)
        rate = np.maximum(risen / np.diff(self.edges), 1e-300)
        total = np.log(rate) @ self.expected - rate @ self.at_risk
        for position, (alike, per_log_shape) in family.shapes.items():
            centre = alike + per_log_shape * self.log_shape
            total = total - 0.5 * ((values[..., position] - centre) / SHAPE_SPREAD) ** 2
        return np.asarray(total)


def cohort(cumulative_hazard: Callable[[Array], Array], oldest: float, deaths: float, log_shape: float) -> CohortPrior:
    """The imagined cohort with the given hazard, followed to the age `oldest`, scaled to so many deaths."""
    edges = np.linspace(0.0, oldest, _BINS + 1)
    risen = np.asarray(cumulative_hazard(edges), dtype=float)
    alive = np.exp(-0.5 * (risen[1:] + risen[:-1]))
    expected = alive * np.diff(risen)
    scale = deaths / expected.sum()
    return CohortPrior(edges, scale * expected, scale * alive * np.diff(edges), log_shape)


def technology_prior(technology: Technology | None, deaths: float) -> CohortPrior:
    """The prior of one technology.

    With a soft end: a constant hazard of SUDDEN_PER_YEAR. Without one (a charge that is used up): a Weibull life of
    shape WEAR_OUT_SHAPE whose median is the geometric middle of the technology's usual life.
    """
    if technology is None or technology.soft_end:
        oldest = 10.0 if technology is None else 2.0 * technology.life_years[1]
        return cohort(lambda age: SUDDEN_PER_YEAR * age, oldest, deaths, 0.0)
    median = float(np.sqrt(technology.life_years[0] * technology.life_years[1]))
    scale = median / np.log(2.0) ** (1.0 / WEAR_OUT_SHAPE)
    oldest = scale * np.log(100.0) ** (1.0 / WEAR_OUT_SHAPE)
    return cohort(lambda age: (age / scale) ** WEAR_OUT_SHAPE, oldest, deaths, float(np.log(WEAR_OUT_SHAPE)))
