"""What every ageing curve is: a clock that runs from zero, on which ln headroom falls on a straight line."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Curve(ABC):
    """Time scale phi(age) of the model ln headroom = level + slope * phi(age) (design: the ageing model).

    reference: age in years at which phi(reference) = reference; it only fixes the scale, so that slopes of different
    curves are all "ln ratio per year, averaged up to the reference age" and can share starting values and priors.
    Subclasses state the shape (`_raw`), its inverse and its derivative; all are non-decreasing, zero at age zero.
    """

    reference: float
    family: ClassVar[str] = ""
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

    @property
    def label(self) -> str:
        """Family and parameters in one line."""
        return f"{self.family} ({self.parameter})" if self.parameter else self.family
