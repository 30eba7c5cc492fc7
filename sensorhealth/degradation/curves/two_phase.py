"""Two straight phases: settling in and then slower, or a steady start and then faster."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray

KNEES = (0.15, 0.4, 0.7)  # as a share of the oldest age seen
RATIOS = (0.3, 3.0)


@dataclass(frozen=True)
class TwoPhase(Curve):
    """phi runs at speed 1 up to the age `knee` (years) and at speed `ratio` after it (a broken line, empirical)."""

    knee: float = 1.0
    ratio: float = 1.0
    family: ClassVar[str] = "two-phase"
    prior: ClassVar[float] = 0.10

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest, share * oldest, ratio) for share in KNEES for ratio in RATIOS]

    def near(self, step: float) -> list[Curve]:
        knees = [replace(self, knee=self.knee * (1.0 + move * step)) for move in (-0.3, 0.3)]
        ratios = [replace(self, ratio=self.ratio ** (1.0 + move * step)) for move in (-0.5, 0.5)]
        return [curve for curve in knees + ratios if curve.knee < self.reference]

    @property
    def parameter(self) -> str:
        return f"{self.ratio:.2g} times as fast after {self.knee:.2f} years"

    def _raw(self, age: FloatArray) -> FloatArray:
        return np.minimum(age, self.knee) + self.ratio * np.maximum(age - self.knee, 0.0)

    def _raw_inverse(self, raw: FloatArray) -> FloatArray:
        return np.minimum(raw, self.knee) + np.maximum(raw - self.knee, 0.0) / self.ratio

    def _raw_derivative(self, age: FloatArray) -> FloatArray:
        return np.where(age < self.knee, 1.0, self.ratio)
