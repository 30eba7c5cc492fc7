"""What is assumed of sudden ends before the records speak, stated as so many deaths' worth of evidence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import polygamma

from ..technologies import Technology
from .families import LifeFamily
from .lifedata import LifeData

Array = NDArray[np.float64]

SUDDEN_PER_YEAR = 0.02  # common practice, no source: two sensors in a hundred die at once in a year of service
WEAR_OUT_SHAPE = 5.0  # common practice, no source: Weibull shape 4 to 8 where a charge of lead is used up
SHAPE_SPREAD = 0.7  # standard deviation of the log shape: a factor of two either way is no surprise


@dataclass(frozen=True)
class LevelPrior:
    """A prior on the level of the hazard up to an age, and on its shape; the same for every family.

    cumulative_hazard: the assumed one. age: reference age (years) up to which the mean hazard is compared with the assumed one (a
    piecewise family compares each of its pieces). deaths: what the assumption is worth: the log of the mean hazard is normal
    around the assumed one, with the standard deviation of the log of a gamma variate of that shape (1.28 for one death,
    0.47 for five). log_shape: log of the Weibull shape that the life is thought to be like, with SHAPE_SPREAD.
    """

    cumulative_hazard: Callable[[Array], Array]
    age: float
    deaths: float
    log_shape: float

    @property
    def exposure(self) -> float:
        """Exposure (years) that goes with the deaths at the assumed hazard."""
        return self.deaths * self.age / float(self.cumulative_hazard(np.array([self.age]))[0])

    def __call__(self, family: LifeFamily, theta: Array) -> Array:
        """Log density, up to a constant, at theta (..., p)."""
        values = np.asarray(theta, dtype=float)
        edges = family.bands(self.age)
        risen = np.diff(family.cumulative_hazard(edges, values[..., None, :]), axis=-1)
        assumed = np.diff(np.asarray(self.cumulative_hazard(edges), dtype=float))
        off = np.log(np.maximum(risen, 1e-300)) - np.log(np.maximum(assumed, 1e-12))
        total = -0.5 * np.sum(off**2, axis=-1) / float(polygamma(1, self.deaths))
        for position, (alike, per_log_shape) in family.shapes.items():
            centre = alike + per_log_shape * self.log_shape
            total = total - 0.5 * ((values[..., position] - centre) / SHAPE_SPREAD) ** 2
        if family.log_shape is not None:
            total = total - 0.5 * ((family.log_shape - self.log_shape) / SHAPE_SPREAD) ** 2
        return np.asarray(total)


def technology_prior(technology: Technology | None, deaths: float, data: LifeData) -> LevelPrior:
    """The prior of one technology, worth so many deaths; data: its lives (years), which set the reference age.

    With a soft end: a constant hazard of SUDDEN_PER_YEAR. Without one (a charge that is used up): a Weibull life of shape
    WEAR_OUT_SHAPE whose median is the geometric middle of the technology's usual life. The reference age is the median of
    the ages seen (of the ages at death, for a charge that is used up), within the usual life.
    """
    usual = (2.0, 5.0) if technology is None else technology.life_years
    middle = float(np.sqrt(usual[0] * usual[1]))
    wears = technology is not None and not technology.soft_end
    ages = data.upper[data.died] if wears else data.lower
    age = float(np.clip(np.median(ages), 0.25 * middle, middle)) if ages.size else middle
    if not wears:
        return LevelPrior(lambda at: SUDDEN_PER_YEAR * at, age, deaths, 0.0)
    scale = middle / np.log(2.0) ** (1.0 / WEAR_OUT_SHAPE)
    return LevelPrior(lambda at: (at / scale) ** WEAR_OUT_SHAPE, age, deaths, float(np.log(WEAR_OUT_SHAPE)))
