"""Weibull: H(t) = (t / scale)^shape; the hazard rises or falls as a power of age."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from .base import Array, LifeFamily


class Weibull(LifeFamily):
    """theta = (log scale, log shape)."""

    name = "weibull"
    parameters = ("scale", "shape")
    shapes = MappingProxyType({1: (0.0, 1.0)})

    def cumulative_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """(t / scale)^shape."""
        scale, shape = self._split(theta)
        return (np.asarray(age, dtype=float) / scale) ** shape

    def log_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """log(shape / scale) + (shape - 1) log(t / scale)."""
        scale, shape = self._split(theta)
        with np.errstate(divide="ignore"):
            relative = np.log(np.asarray(age, dtype=float) / scale)
        return np.log(shape / scale) + np.where(shape == 1.0, 0.0, (shape - 1.0) * relative)

    def age_at(self, cumulative_hazard: ArrayLike, theta: ArrayLike) -> Array:
        """Scale times H^(1 / shape)."""
        scale, shape = self._split(theta)
        return scale * np.asarray(cumulative_hazard, dtype=float) ** (1.0 / shape)

    def natural(self, theta: ArrayLike) -> Array:
        """(scale, shape)."""
        return np.exp(np.asarray(theta, dtype=float))

    def start(self, rate: float, age: float) -> Array:
        """A constant hazard at the observed rate."""
        return np.array([-np.log(rate), 0.0])

    def paper(self, age: ArrayLike, cumulative_hazard: ArrayLike) -> tuple[Array, Array]:
        """Log age against log cumulative hazard: slope = shape."""
        return np.log(np.asarray(age, dtype=float)), np.log(np.asarray(cumulative_hazard, dtype=float))

    @staticmethod
    def _split(theta: ArrayLike) -> tuple[Array, Array]:
        values = np.exp(np.asarray(theta, dtype=float))
        return values[..., 0], values[..., 1]


FAMILY = Weibull()
