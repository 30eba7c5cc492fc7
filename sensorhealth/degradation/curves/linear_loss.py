"""Linear loss of sensitivity: the same amount each year, so that ln headroom falls faster and faster."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray

FRACTIONS = (0.3, 0.6, 0.9)  # of the sensitivity lost at the oldest age seen
LAST = 0.95  # share of the way to total loss from where on the clock runs on along its tangent


@dataclass(frozen=True)
class LinearLoss(Curve):
    """phi ~ -ln(1 - rate * age): sensitivity 1 - rate * age (derived; the straight line of many drift records).

    rate: share of the first sensitivity lost per year by the typical sensor. Beyond 95 % of total loss the clock goes
    on along its tangent, far below any threshold, so that value, inverse and derivative stay finite at any age.
    """

    rate: float = 0.1
    family: ClassVar[str] = "linear loss"
    prior: ClassVar[float] = 0.15

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest, fraction / oldest) for fraction in FRACTIONS]

    def near(self, step: float) -> list[Curve]:
        rates = (self.rate * (1.0 - 0.3 * step), self.rate * (1.0 + 0.3 * step))
        return [replace(self, rate=rate) for rate in rates if rate * self.reference < LAST]

    @property
    def parameter(self) -> str:
        return f"loses {self.rate:.3g} of its first sensitivity a year"

    def _raw(self, age: FloatArray) -> FloatArray:
        lost = self.rate * age
        tangent = -np.log1p(-LAST) + (lost - LAST) / (1.0 - LAST)
        return np.where(lost < LAST, -np.log1p(-np.minimum(lost, LAST)), tangent) / self.rate

    def _raw_inverse(self, raw: FloatArray) -> FloatArray:
        loss = raw * self.rate
        corner = -np.log1p(-LAST)
        tangent = LAST + (loss - corner) * (1.0 - LAST)
        return np.where(loss < corner, -np.expm1(-np.minimum(loss, corner)), tangent) / self.rate

    def _raw_derivative(self, age: FloatArray) -> FloatArray:
        return 1.0 / (1.0 - np.minimum(self.rate * age, LAST))
