"""What every family of life distributions shares: a part states its hazards, the rest follows.

Ages are positive numbers in any one unit. Parameters are unconstrained reals `theta` of shape (..., p) so that draws,
fits and priors need no bounds; leading axes broadcast against the ages.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


class LifeFamily(ABC):
    """A family of life distributions on (0, inf).

    name: as people call it. parameters: natural names, in the order of `theta` and of `natural(theta)`. shapes:
    positions in theta that a prior should hold (not the scale); for each, theta there when the life is like an
    exponential one, and its change when the life is like a Weibull one, per unit of log Weibull shape. log_shape: the log
    of the Weibull shape that a family without a shape of its own amounts to; None where it has one, or is free.
    """

    name: str
    parameters: tuple[str, ...]
    shapes: Mapping[int, tuple[float, float]]
    log_shape: float | None = None

    @abstractmethod
    def cumulative_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Cumulative hazard H(age) = -log S(age); 0 at age 0, infinite at infinite age."""

    @abstractmethod
    def log_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Log of the hazard rate (per unit of age)."""

    @abstractmethod
    def age_at(self, cumulative_hazard: ArrayLike, theta: ArrayLike) -> Array:
        """The age at which the cumulative hazard reaches the given value (inverse of `cumulative_hazard`)."""

    @abstractmethod
    def natural(self, theta: ArrayLike) -> Array:
        """Natural parameters (..., p), named by `parameters`."""

    @abstractmethod
    def start(self, rate: float, age: float) -> Array:
        """A start (p,) for a fit: deaths per unit of exposure, and the typical age seen."""

    def bands(self, age: float) -> Array:
        """Edges of the bands of age in which a prior may speak of this family's level: one band, from 0 to `age`."""
        return np.array([0.0, age])

    def hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Hazard rate (per unit of age)."""
        return np.exp(self.log_hazard(age, theta))

    def sf(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Survival function."""
        return np.exp(-self.cumulative_hazard(age, theta))

    def cdf(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Distribution function."""
        return -np.expm1(-self.cumulative_hazard(age, theta))

    def quantile(self, q: ArrayLike, theta: ArrayLike) -> Array:
        """Age by which a share q has died."""
        return self.age_at(-np.log1p(-np.asarray(q, dtype=float)), theta)

    def paper(self, age: ArrayLike, cumulative_hazard: ArrayLike) -> tuple[Array, Array]:
        """Coordinates of the paper on which this family is a straight line (here: age, cumulative hazard)."""
        return np.asarray(age, dtype=float), np.asarray(cumulative_hazard, dtype=float)

    def __repr__(self) -> str:
        return f"<life family {self.name}>"
