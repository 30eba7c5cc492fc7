"""Exponential: the hazard does not depend on age."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from .base import Array, LifeFamily


class Exponential(LifeFamily):
    """theta = (log rate,)."""

    name = "exponential"
    parameters = ("rate",)
    shapes = MappingProxyType({})
    log_shape = 0.0

    def cumulative_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Rate times age."""
        return np.exp(np.asarray(theta, dtype=float)[..., 0]) * np.asarray(age, dtype=float)

    def log_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Log rate, at every age."""
        return np.asarray(theta, dtype=float)[..., 0] + np.zeros(np.shape(age))

    def age_at(self, cumulative_hazard: ArrayLike, theta: ArrayLike) -> Array:
        """H / rate."""
        return np.asarray(cumulative_hazard, dtype=float) * np.exp(-np.asarray(theta, dtype=float)[..., 0])

    def natural(self, theta: ArrayLike) -> Array:
        """(rate,)."""
        return np.exp(np.asarray(theta, dtype=float))

    def start(self, rate: float, age: float) -> Array:
        """The observed rate."""
        return np.array([np.log(rate)])


FAMILY = Exponential()
