"""Exponential loss of sensitivity: ln headroom falls on a straight line of age."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray


@dataclass(frozen=True)
class Linear(Curve):
    """phi = age: the same share of what is left is lost each year (usual for toxic cells, common practice)."""

    family: ClassVar[str] = "exponential"
    prior: ClassVar[float] = 0.35

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest)]

    def _raw(self, age: FloatArray) -> FloatArray:
        return age

    def _raw_inverse(self, raw: FloatArray) -> FloatArray:
        return raw

    def _raw_derivative(self, age: FloatArray) -> FloatArray:
        return np.ones_like(age)
