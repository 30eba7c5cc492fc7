"""Loss that speeds up or slows down as a power of age."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray
from sensorhealth.degradation.curves.square_root import YOUNGEST

EXPONENTS = (0.75, 1.5, 2.0, 3.0)


@dataclass(frozen=True)
class Power(Curve):
    """phi ~ age**exponent, the usual empirical degradation law (Meeker & Escobar 1998, ch. 13)."""

    exponent: float = 1.0
    family: ClassVar[str] = "power"
    prior: ClassVar[float] = 0.15

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest, exponent) for exponent in EXPONENTS]

    def near(self, step: float) -> list[Curve]:
        return [replace(self, exponent=self.exponent * (1.0 + move * step)) for move in (-0.2, 0.2)]

    @property
    def parameter(self) -> str:
        return f"exponent {self.exponent:.3g}"

    def _raw(self, age: FloatArray) -> FloatArray:
        return age**self.exponent

    def _raw_inverse(self, raw: FloatArray) -> FloatArray:
        return raw ** (1.0 / self.exponent)

    def _raw_derivative(self, age: FloatArray) -> FloatArray:
        return self.exponent * np.maximum(age, YOUNGEST) ** (self.exponent - 1.0)
