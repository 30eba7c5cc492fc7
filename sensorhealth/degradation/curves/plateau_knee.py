"""A hidden reserve: a plateau while diffusion sets the signal, then a knee once the catalyst does."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray

RESERVES = (3.0, 10.0, 30.0)
HIGHEST = 1000.0  # reserve beyond which the plateau is flat to any measurement
KNEES = (0.4, 0.7, 1.0)  # as a share of the oldest age seen: a knee that no reading has reached is not tried


@dataclass(frozen=True)
class PlateauKnee(Curve):
    """Barrier and catalyst in series, S = a (1 + reserve) / (1 + a reserve), activity a = exp(-k age); phi ~ -ln S.

    reserve: activity of the new catalyst over what diffusion lets through. knee: age in years at which the catalyst
    becomes the smaller of the two (a * reserve = 1), so k = ln(reserve) / knee. Derived from 1/i = 1/i_diffusion +
    1/i_kinetic; with half the activity gone reserves of 3, 10 and 30 leave a sensitivity of .80, .92 and .97.
    """

    reserve: float = 10.0
    knee: float = 1.0
    family: ClassVar[str] = "plateau then knee"
    prior: ClassVar[float] = 0.15

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest, reserve, share * oldest) for reserve in RESERVES for share in KNEES]

    def near(self, step: float) -> list[Curve]:
        knees = [replace(self, knee=self.knee * (1.0 + move * step)) for move in (-0.2, 0.2)]
        reserves = [replace(self, reserve=self.reserve ** (1.0 + move * step)) for move in (-0.35, 0.35)]
        return [curve for curve in knees + reserves if curve.knee <= self.reference and curve.reserve < HIGHEST]

    @property
    def parameter(self) -> str:
        return f"reserve {self.reserve:.3g}, knee at {self.knee:.2f} years"

    @property
    def _k(self) -> float:
        return float(np.log(self.reserve) / self.knee)

    def _raw(self, age: FloatArray) -> FloatArray:
        activity_loss = self._k * age
        return activity_loss - np.log1p(self.reserve) + np.log1p(self.reserve * np.exp(-activity_loss))

    def _raw_inverse(self, raw: FloatArray) -> FloatArray:
        # a = S / (1 + reserve - reserve S), so -ln a = raw + ln(1 + reserve (1 - S)); expm1 keeps small ages exact
        return (raw + np.log1p(-self.reserve * np.expm1(-raw))) / self._k

    def _raw_derivative(self, age: FloatArray) -> FloatArray:
        return self._k / (1.0 + self.reserve * np.exp(-self._k * age))
