"""Diffusion-like loss: fast at first, then ever slower, as the square root of age."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray

YOUNGEST = 1e-4  # years; keeps the slope at age zero finite


@dataclass(frozen=True)
class SquareRoot(Curve):
    """phi ~ sqrt(age): a film or a filling filter that grows by diffusion (parabolic growth law, general physics)."""

    family: ClassVar[str] = "square root"
    prior: ClassVar[float] = 0.10

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest)]

    def _raw(self, age: FloatArray) -> FloatArray:
        return np.sqrt(age)

    def _raw_inverse(self, raw: FloatArray) -> FloatArray:
        return raw**2

    def _raw_derivative(self, age: FloatArray) -> FloatArray:
        return 0.5 / np.sqrt(np.maximum(age, YOUNGEST))
