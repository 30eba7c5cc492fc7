"""What every ageing curve is: a clock that runs from zero, on which ln headroom falls on a straight line."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

STILL = 1e-3  # ln ratio per year, below which a sensor hardly falls


class Straight(NamedTuple):
    """Straight paths to a threshold at zero, on a clock on which they are straight (see `life.passage.first_passage`)."""

    level: FloatArray
    slope: FloatArray
    covariance: FloatArray
    elapsed: FloatArray
    wander: FloatArray


@dataclass(frozen=True)
class Curve(ABC):
    """Time scale phi(age) of the model ln headroom = level + slope * phi(age) (design: the ageing model).

    Where every sensor walks the shape at its own pace (`own_pace`), ln headroom = level + path(slope, age) instead, and phi
    is that of the typical sensor.

    reference: age in years at which phi(reference) = reference; it only fixes the scale, so that slopes of different
    curves are all "ln ratio per year, averaged up to the reference age" and can share starting values and priors.
    Subclasses state the shape (`_raw`), its inverse and its derivative; all are non-decreasing, zero at age zero.
    """

    reference: float
    family: ClassVar[str] = ""
    own_pace: ClassVar[bool] = False
    prior: ClassVar[float] = 0.0  # prior weight of the whole family, split evenly over its grid

    @classmethod
    @abstractmethod
    def grid(cls, oldest: float) -> list[Curve]:
        """The few members worth trying on readings that reach up to the age `oldest` (years)."""

    def near(self, step: float) -> list[Curve]:
        """Members of the family a `step` (1 = coarse) away on either side of each parameter; none without parameters."""
        return []

    @property
    def parameter(self) -> str:
        """The shape's parameters in words, empty where it has none."""
        return ""

    @abstractmethod
    def _raw(self, age: FloatArray) -> FloatArray: ...

    @abstractmethod
    def _raw_inverse(self, raw: FloatArray) -> FloatArray: ...

    @abstractmethod
    def _raw_derivative(self, age: FloatArray) -> FloatArray: ...

    @property
    def _scale(self) -> float:
        return self.reference / float(self._raw(np.array([self.reference]))[0])

    def value(self, age: ArrayLike) -> FloatArray:
        """phi at `age` (years, any shape; negative ages count as zero)."""
        return self._scale * self._raw(np.maximum(np.asarray(age, dtype=float), 0.0))

    def inverse(self, phi: ArrayLike) -> FloatArray:
        """Age in years at which the clock shows `phi` (any shape; negative phi counts as zero)."""
        return self._raw_inverse(np.maximum(np.asarray(phi, dtype=float), 0.0) / self._scale)

    def derivative(self, age: ArrayLike) -> FloatArray:
        """d phi / d age at `age` (years, any shape)."""
        return self._scale * self._raw_derivative(np.maximum(np.asarray(age, dtype=float), 0.0))

    def path(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        """Change of ln headroom from birth to `age` of a sensor with this slope; the two broadcast."""
        return np.asarray(slope, dtype=float) * self.value(age)

    def path_by_slope(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        """d path / d slope."""
        return np.zeros_like(np.asarray(slope, dtype=float)) + self.value(age)

    def path_by_age(self, slope: ArrayLike, age: ArrayLike) -> FloatArray:
        """d path / d age."""
        return np.asarray(slope, dtype=float) * self.derivative(age)

    def slope_of(self, change: ArrayLike, age: ArrayLike) -> FloatArray:
        """Slope of the path that has changed by `change` at `age` > 0."""
        return np.asarray(change, dtype=float) / self.value(age)

    def age_at(self, change: ArrayLike, slope: ArrayLike) -> FloatArray:
        """Age at which the path of a sensor with this slope has changed by `change`; 0 for a gain, late where it hardly falls."""
        fall = np.maximum(-np.asarray(slope, dtype=float), STILL)
        return self.inverse(np.maximum(-np.asarray(change, dtype=float), 0.0) / fall)

    def clock(self, age: ArrayLike) -> FloatArray:
        """What a posterior keeps of the present age: phi, or the age itself where each sensor has its own pace."""
        return self.value(age)

    def ahead(self, slope: ArrayLike, clock_now: ArrayLike, age: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Change of the path from the present clock to `age`, not before it, and its derivative to the slope."""
        gone = np.maximum(self.value(age) - np.asarray(clock_now, dtype=float), 0.0)
        return np.asarray(slope, dtype=float) * gone, gone

    def straightened(
        self,
        level: FloatArray,
        slope: FloatArray,
        covariance: FloatArray,
        wander: FloatArray,
        clock_now: FloatArray,
        age: FloatArray,
    ) -> Straight:
        """Paths of n sensors from now on, for first passage through zero by each of `age` (n, m).

        level (n,) above the threshold now, slope (n,), covariance (n, 2, 2) of the two, wander (n,) variance per unit of the
        clock, clock_now (n,).
        """
        elapsed = np.maximum(self.value(age) - clock_now[..., None], 0.0)
        return Straight(level[..., None], slope[..., None], covariance[..., None, :, :], elapsed, wander[..., None])

    @property
    def label(self) -> str:
        """Family and parameters in one line."""
        return f"{self.family} ({self.parameter})" if self.parameter else self.family
