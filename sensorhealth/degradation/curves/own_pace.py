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
FASTEST, SLOWEST = 3.0, 4.0  # ln of loss rates above and below the typical one, beyond which they are not told by their logs
NEAR_NEW = 0.02  # share of the way that the typical sensor goes by the reference age, within which a sensor is as new


@dataclass(frozen=True)
class OwnPace(Curve):
    """ln headroom = level - F(unit * loss rate * age), the loss rate being the sensor's own.

    Loss rates are positive and scatter by factors, so that lives are lognormal: loss rate = typical * exp(-1 - slope / typical),
    the slope being a normal variate. A sensor at the typical rate has the slope of its chord (less the loss rate), as in all other
    curves, and near it slopes and loss rates move alike; a slow sensor has a small loss rate, never a gain.

    typical_loss: ln ratio that the typical sensor has lost by the reference age; it sets the typical rate and the unit. Against
    its slope the path is curved: the model is made straight about each sensor's slope as it is known so far, again and again
    until it rests (Lindstrom and Bates 1990, Biometrics 46:673-687).
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

    def _raw(self, age: FloatArray) -> FloatArray:
        return self._loss(self._reach * age / self.reference)

    def _raw_inverse(self, raw: FloatArray) -> FloatArray:
        return self._loss_inverse(raw) * self.reference / self._reach

    def _raw_derivative(self, age: FloatArray) -> FloatArray:
        return self._loss_derivative(self._reach * age / self.reference) * self._reach / self.reference

    @property
    def _typical(self) -> float:
        """Loss rate of the typical sensor (ln ratio per year, of its chord)."""
        return self.typical_loss / self.reference

    def _rate(self, slope: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Loss rates, and their change per slope (less than nought); beyond FASTEST times the typical rate, straight."""
        log = -1.0 - np.asarray(slope, dtype=float) / self._typical
        rate = np.exp(np.minimum(log, FASTEST))
        return self._typical * rate * (1.0 + np.maximum(log - FASTEST, 0.0)), -rate

    def _where(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        """x of a sensor with this slope at this age."""
        return self._unit * self._rate(slope)[0] * np.maximum(np.asarray(age, dtype=float), 0.0)

    def path(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        return -self._loss(self._where(slope, age))

    def path_by_slope(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        faster = -self._unit * self._rate(slope)[1] * np.maximum(np.asarray(age, dtype=float), 0.0)
        return faster * self._loss_derivative(self._where(slope, age))

    def path_by_age(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        return -self._unit * self._rate(slope)[0] * self._loss_derivative(self._where(slope, age))

    def slope_of(self, change: ArrayLike, age: ArrayLike) -> FloatArray:
        """As in all curves; a path that has not fallen has the smallest rate that is told from none."""
        change, age = np.asarray(change, dtype=float), np.asarray(age, dtype=float)
        rate = self._loss_inverse(np.maximum(-change, 0.0)) / (self._unit * age * self._typical)
        fast = np.exp(FASTEST)
        log = np.log(np.clip(rate, np.exp(-SLOWEST), fast)) + np.maximum(rate / fast - 1.0, 0.0)
        return -self._typical * (1.0 + log)

    def age_at(self, change: ArrayLike, slope: ArrayLike) -> FloatArray:
        """Age at which the path of a sensor with this slope has changed by `change`; 0 for a gain."""
        return self._loss_inverse(np.maximum(-np.asarray(change, dtype=float), 0.0)) / (self._unit * self._rate(slope)[0])

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
        """On a scale that is ln x (straight below NEAR_NEW of the typical reach) the sensor's x meets that of the threshold.

        How far it is from here to there depends on level and slope, smoothly, and is made straight about their means; all else
        is time. The wander is taken at the strength that it has at the threshold.
        """
        rate, by = self._rate(slope)
        new = NEAR_NEW * self._reach
        total = level - self.path(slope, clock_now)
        end = self._loss_inverse(np.maximum(total, 0.0)) + np.minimum(total, 0.0) / self._loss_derivative(np.zeros_like(level))
        far = np.maximum(end, new)
        steep = self._loss_derivative(np.maximum(end, 0.0))
        by_level = 1.0 / (steep * far)
        by_slope = -by / rate - by_level * self.path_by_slope(slope, clock_now)
        spread = by_level**2 * covariance[..., 0, 0] + 2.0 * by_level * by_slope * covariance[..., 0, 1]
        squares = np.zeros_like(covariance)
        squares[..., 0, 0] = spread + by_slope**2 * covariance[..., 1, 1]
        here = _log_above(self._where(slope, clock_now), new)
        elapsed = np.maximum(age - clock_now[..., None], 0.0)
        later = _log_above(self._where(slope[..., None], clock_now[..., None] + elapsed), new)
        falling = np.divide(here[..., None] - later, elapsed, out=np.zeros_like(elapsed), where=elapsed > 0.0)
        spent = -wander * self._unit * by * (steep + np.maximum(end, 0.0) * self._loss_bend(np.maximum(end, 0.0))) * by_level**2
        return Straight((_log_above(end, new) - here)[..., None], falling, squares[..., None, :, :], elapsed, spent[..., None])


def _log_above(x: FloatArray, least: float) -> FloatArray:
    """ln x, and below `least` its tangent there."""
    above = np.maximum(x, least)
    return np.log(above) + (np.minimum(x, least) - least) / least
