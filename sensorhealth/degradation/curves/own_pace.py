"""Shapes that every sensor walks at a pace of its own: a slow sensor meets the knee late, not a milder knee."""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass, replace
from functools import cached_property
from typing import ClassVar, Self

import numpy as np
from numpy.typing import ArrayLike

from sensorhealth.degradation.curves.base import Curve, FloatArray, Straight

TYPICAL_LOSS = 0.4  # ln ratio, where nothing is known yet
SLOWEST = 0.02  # share of the typical loss rate below which a sensor is taken to stand still


@dataclass(frozen=True)
class OwnPace(Curve):
    """ln headroom = level - F(unit * loss rate * age), the loss rate being the sensor's own.

    typical_loss: ln ratio that the typical sensor has lost by the reference age. It only sets the unit, so that the slope
    (less the loss rate) of a typical sensor is that of its chord, as in all other curves. Against its slope the path is
    curved: the model is made straight about each sensor's slope as it is known so far, again and again until it rests
    (Lindstrom and Bates 1990, Biometrics 46:673-687).
    """

    typical_loss: float = TYPICAL_LOSS
    own_pace: ClassVar[bool] = True
    knee: ClassVar[bool] = True  # whether the loss speeds up at a place that could be another

    @abstractmethod
    def _loss(self, x: FloatArray) -> FloatArray:
        """F at x >= 0: ln ratio lost; convex, 0 at 0."""

    @abstractmethod
    def _loss_inverse(self, loss: FloatArray) -> FloatArray: ...

    @abstractmethod
    def _loss_derivative(self, x: FloatArray) -> FloatArray: ...

    @abstractmethod
    def _loss_bend(self, x: FloatArray) -> FloatArray:
        """Second derivative of F at x >= 0."""

    def with_typical_loss(self, loss: float) -> Self:
        return replace(self, typical_loss=loss)

    @property
    def shape(self) -> FloatArray:
        """ln of the shape's parameters; none where the shape has none."""
        return np.empty(0)

    def reshaped(self, shape: FloatArray) -> Self:
        """The curve with the shape that these parameters say, within what readings can tell."""
        return self

    @cached_property
    def _reach(self) -> float:
        """x of the typical sensor at the reference age."""
        return float(self._loss_inverse(np.array([self.typical_loss]))[0])

    @cached_property
    def _unit(self) -> float:
        return self._reach / self.typical_loss

    def sharper(self, times: float) -> Self:
        """The curve with a knee so much sharper at the same place; the same where the place alone sets it."""
        return self

    def _raw(self, age: FloatArray) -> FloatArray:
        return self._loss(self._reach * age / self.reference)

    def _raw_inverse(self, raw: FloatArray) -> FloatArray:
        return self._loss_inverse(raw) * self.reference / self._reach

    def _raw_derivative(self, age: FloatArray) -> FloatArray:
        return self._loss_derivative(self._reach * age / self.reference) * self._reach / self.reference

    def _where(self, slope: ArrayLike, age: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """x, and x with gains taken as none."""
        x = -self._unit * np.asarray(slope, dtype=float) * np.maximum(np.asarray(age, dtype=float), 0.0)
        return x, np.maximum(x, 0.0)

    def path(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        x, lost = self._where(slope, age)
        return -(self._loss(lost) + np.minimum(x, 0.0) * self._loss_derivative(np.zeros_like(x)))

    def path_by_slope(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        lost = self._where(slope, age)[1]
        return self._unit * np.maximum(np.asarray(age, dtype=float), 0.0) * self._loss_derivative(lost)

    def path_by_age(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        lost = self._where(slope, age)[1]
        return self._unit * np.asarray(slope, dtype=float) * self._loss_derivative(lost)

    def slope_of(self, change: ArrayLike, age: ArrayLike) -> FloatArray:
        change, age = np.asarray(change, dtype=float), np.asarray(age, dtype=float)
        gain = np.maximum(change, 0.0) / self._loss_derivative(np.zeros_like(change))
        return (gain - self._loss_inverse(np.maximum(-change, 0.0))) / (self._unit * age)

    def age_at(self, change: ArrayLike, slope: ArrayLike) -> FloatArray:
        rate = np.maximum(-np.asarray(slope, dtype=float), SLOWEST * self.typical_loss / self.reference)
        return self._loss_inverse(np.maximum(-np.asarray(change, dtype=float), 0.0)) / (self._unit * rate)

    def clock(self, age: ArrayLike) -> FloatArray:
        return np.maximum(np.asarray(age, dtype=float), 0.0)

    def ahead(self, slope: ArrayLike, clock_now: ArrayLike, age: ArrayLike) -> tuple[FloatArray, FloatArray]:
        later = np.maximum(self.clock(age), np.asarray(clock_now, dtype=float))
        change = self.path(slope, later) - self.path(slope, clock_now)
        return change, self.path_by_slope(slope, later) - self.path_by_slope(slope, clock_now)

    def straightened(
        self,
        level: FloatArray,
        slope: FloatArray,
        covariance: FloatArray,
        wander: FloatArray,
        clock_now: FloatArray,
        age: FloatArray,
    ) -> Straight:
        """In units of x the path runs straight against age, from what is left of the way to the threshold.

        The way to the threshold depends on level and slope, smoothly; it is made straight about their means. The wander is
        taken at the strength that it has at the threshold.
        """
        unit = self._unit
        lost = self._where(slope, clock_now)[1]
        total = level - self.path(slope, clock_now)
        first = self._loss_derivative(np.zeros_like(level))
        end = self._loss_inverse(np.maximum(total, 0.0)) + np.minimum(total, 0.0) / first
        far = np.maximum(end, 0.0)
        steep = self._loss_derivative(far)
        by_level = 1.0 / steep
        by_slope = unit * clock_now * (1.0 - self._loss_derivative(lost) / steep)
        c00, c01, c11 = covariance[..., 0, 0], covariance[..., 0, 1], covariance[..., 1, 1]
        new = np.empty_like(covariance)
        new[..., 0, 0] = by_level**2 * c00 + 2.0 * by_level * by_slope * c01 + by_slope**2 * c11
        new[..., 0, 1] = new[..., 1, 0] = unit * (by_level * c01 + by_slope * c11)
        new[..., 1, 1] = unit**2 * c11
        left = end + unit * slope * clock_now
        spent = wander * unit * (steep + far * self._loss_bend(far)) / steep**2
        elapsed = np.maximum(age - clock_now[..., None], 0.0)
        return Straight(left[..., None], (unit * slope)[..., None], new[..., None, :, :], elapsed, spent[..., None])
