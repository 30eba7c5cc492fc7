"""Lognormal: log life is normal; the hazard rises to a top and then falls."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr, ndtri_exp

from .base import Array, LifeFamily


class Lognormal(LifeFamily):
    """theta = (mean of log age, log of its standard deviation)."""

    name = "lognormal"
    parameters = ("mu", "sigma")
    shapes = MappingProxyType({1: (0.25, -1.0)})  # log age of an exponential life: sd 1.28

    def cumulative_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """-log of the upper tail of the normal at z = (log t - mu) / sigma."""
        z, _ = self._standardise(age, theta)
        return -log_ndtr(-z)

    def log_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Log density less log survival."""
        z, sigma = self._standardise(age, theta)
        ages = np.asarray(age, dtype=float)
        with np.errstate(divide="ignore", invalid="ignore"):
            value = -0.5 * z**2 - 0.5 * np.log(2 * np.pi) - np.log(sigma * ages) - log_ndtr(-z)
        return np.where(ages > 0, value, -np.inf)

    def age_at(self, cumulative_hazard: ArrayLike, theta: ArrayLike) -> Array:
        """exp(mu + sigma z) with z the normal deviate whose upper tail is exp(-H)."""
        values = np.asarray(theta, dtype=float)
        z = -ndtri_exp(-np.asarray(cumulative_hazard, dtype=float))
        return np.exp(values[..., 0] + np.exp(values[..., 1]) * z)

    def natural(self, theta: ArrayLike) -> Array:
        """(mu, sigma)."""
        values = np.asarray(theta, dtype=float)
        return np.stack([values[..., 0], np.exp(values[..., 1])], axis=-1)

    def start(self, rate: float, age: float) -> Array:
        """The share exp(-rate x age) alive at the typical age, with sigma 1."""
        z = -float(ndtri_exp(-rate * age))
        return np.array([np.log(age) - z, 0.0])

    def paper(self, age: ArrayLike, cumulative_hazard: ArrayLike) -> tuple[Array, Array]:
        """Log age against the normal deviate: slope = 1 / sigma."""
        return np.log(np.asarray(age, dtype=float)), -ndtri_exp(-np.asarray(cumulative_hazard, dtype=float))

    @staticmethod
    def _standardise(age: ArrayLike, theta: ArrayLike) -> tuple[Array, Array]:
        values = np.asarray(theta, dtype=float)
        sigma = np.exp(values[..., 1])
        with np.errstate(divide="ignore"):
            return (np.log(np.asarray(age, dtype=float)) - values[..., 0]) / sigma, sigma


FAMILY = Lognormal()
