"""Piecewise constant hazard: no shape assumed but for the ages at which the rate may change."""

from __future__ import annotations

from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from .base import Array, LifeFamily


class Piecewise(LifeFamily):
    """theta = log rate of each piece. knots: increasing ages (k,) at which the rate may change; k + 1 pieces.

    The last rate holds for ever. The default knots are years of age: infant, early, usual, late, very late.
    """

    name = "piecewise"
    shapes = MappingProxyType({})

    def __init__(self, knots: tuple[float, ...] = (0.5, 1.5, 3.0, 5.0)) -> None:
        self.knots = tuple(float(knot) for knot in knots)
        if not self.knots or self.knots[0] <= 0 or (np.diff(self.knots) <= 0).any():
            raise ValueError(f"knots must be positive and increasing, not {knots}")
        self.parameters = tuple(f"rate_{number + 1}" for number in range(len(self.knots) + 1))
        self._starts = np.array((0.0, *self.knots))
        self._ends = np.array((*self.knots, np.inf))

    def cumulative_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Sum over pieces of rate times the time spent in it."""
        rates = np.exp(np.asarray(theta, dtype=float))
        spent = np.clip(np.asarray(age, dtype=float)[..., None] - self._starts, 0.0, self._ends - self._starts)
        return np.sum(rates * spent, axis=-1)

    def log_hazard(self, age: ArrayLike, theta: ArrayLike) -> Array:
        """Log rate of the piece in which the age falls (the earlier one on a knot)."""
        piece = np.searchsorted(self._ends[:-1], np.asarray(age, dtype=float), side="left")
        logs = np.asarray(theta, dtype=float)
        logs, piece = np.broadcast_arrays(logs, piece[..., None])
        return np.take_along_axis(logs, piece[..., :1], axis=-1)[..., 0]

    def age_at(self, cumulative_hazard: ArrayLike, theta: ArrayLike) -> Array:
        """Linear interpolation of age in cumulative hazard, piece by piece."""
        rates = np.exp(np.asarray(theta, dtype=float))
        level = np.asarray(cumulative_hazard, dtype=float)
        steps = np.cumsum(rates[..., :-1] * np.diff(self._starts), axis=-1)
        before = np.concatenate([np.zeros((*steps.shape[:-1], 1)), steps], axis=-1)
        width = np.append(np.diff(self._starts), np.inf)
        spent = np.clip((level[..., None] - before) / rates, 0.0, width)
        return np.sum(spent, axis=-1)

    def bands(self, age: float) -> Array:
        """Every piece is a band of its own; the last one as long as the one before it."""
        return np.append(self._starts, 2 * self.knots[-1] - self._starts[-2])

    def natural(self, theta: ArrayLike) -> Array:
        """Rates of the pieces."""
        return np.exp(np.asarray(theta, dtype=float))

    def start(self, rate: float, age: float) -> Array:
        """The observed rate in every piece."""
        return np.full(len(self.parameters), np.log(rate))


FAMILY = Piecewise()
