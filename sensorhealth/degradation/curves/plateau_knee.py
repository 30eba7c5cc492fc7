"""A hidden reserve: a plateau while diffusion sets the signal, then a knee once the catalyst does."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray
from sensorhealth.degradation.curves.own_pace import TYPICAL_LOSS, OwnPace

RESERVES = (3.0, 10.0, 30.0)
LEAST, HIGHEST = 1.0, 1000.0  # reserves beyond which there is no plateau, or none but the plateau, to any measurement


@dataclass(frozen=True)
class PlateauKnee(OwnPace):
    """Barrier and catalyst in series, S = a (1 + reserve) / (1 + a reserve), activity a = exp(-rate * age), rate each its own.

    reserve: activity of the new catalyst over what diffusion lets through. Derived from 1/i = 1/i_diffusion +
    1/i_kinetic; with half the activity gone reserves of 3, 10 and 30 leave a sensitivity of .80, .92 and .97. A sensor's
    knee is where the catalyst becomes the smaller of the two (a * reserve = 1), at its own age.
    """

    reserve: float = 10.0
    family: ClassVar[str] = "plateau then knee"
    prior: ClassVar[float] = 0.15

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest, TYPICAL_LOSS, reserve) for reserve in RESERVES]

    def near(self, step: float) -> list[Curve]:
        reserves = [replace(self, reserve=self.reserve ** (1.0 + move * step)) for move in (-0.35, 0.35)]
        return [curve for curve in reserves if LEAST < curve.reserve < HIGHEST]

    @property
    def shape(self) -> FloatArray:
        return np.log([self.reserve])

    def reshaped(self, shape: FloatArray) -> PlateauKnee:
        return replace(self, reserve=float(np.clip(np.exp(shape[0]), LEAST, HIGHEST)))

    @property
    def parameter(self) -> str:
        return f"reserve {self.reserve:.3g}"

    def _loss(self, x: FloatArray) -> FloatArray:
        return x - np.log1p(self.reserve) + np.log1p(self.reserve * np.exp(-x))

    def _loss_inverse(self, loss: FloatArray) -> FloatArray:
        # a = S / (1 + reserve - reserve S), so -ln a = loss + ln(1 + reserve (1 - S)); expm1 keeps small ages exact
        return loss + np.log1p(-self.reserve * np.expm1(-loss))

    def _loss_derivative(self, x: FloatArray) -> FloatArray:
        return 1.0 / (1.0 + self.reserve * np.exp(-x))

    def _loss_bend(self, x: FloatArray) -> FloatArray:
        left = self.reserve * np.exp(-x)
        return left / (1.0 + left) ** 2
