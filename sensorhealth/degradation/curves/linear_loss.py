"""Linear loss of sensitivity: the same amount each year, so that ln headroom falls faster and faster."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray
from sensorhealth.degradation.curves.own_pace import OwnPace

LAST = 0.95  # share of the way to total loss from where on the path runs on along its tangent


@dataclass(frozen=True)
class LinearLoss(OwnPace):
    """Sensitivity 1 - rate * age, each sensor with its own rate (derived; the straight line of many drift records).

    Beyond 95 % of total loss the path goes on along its tangent, far below any threshold, so that value, inverse and
    derivatives stay finite at any age.
    """

    family: ClassVar[str] = "linear loss"
    knee: ClassVar[bool] = False
    prior: ClassVar[float] = 0.15

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest)]

    def _loss(self, x: FloatArray) -> FloatArray:
        tangent = -np.log1p(-LAST) + (x - LAST) / (1.0 - LAST)
        return np.where(x < LAST, -np.log1p(-np.minimum(x, LAST)), tangent)

    def _loss_inverse(self, loss: FloatArray) -> FloatArray:
        corner = -np.log1p(-LAST)
        return np.where(loss < corner, -np.expm1(-np.minimum(loss, corner)), LAST + (loss - corner) * (1.0 - LAST))

    def _loss_derivative(self, x: FloatArray) -> FloatArray:
        return 1.0 / (1.0 - np.minimum(x, LAST))

    def _loss_bend(self, x: FloatArray) -> FloatArray:
        return np.where(x < LAST, 1.0 / (1.0 - np.minimum(x, LAST)) ** 2, 0.0)
