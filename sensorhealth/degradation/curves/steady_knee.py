"""A steady loss, and a much faster one once so much is lost: each sensor meets its knee at its own age."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from sensorhealth.degradation.curves.base import Curve, FloatArray
from sensorhealth.degradation.curves.own_pace import TYPICAL_LOSS, OwnPace

KNEES = (0.05, 0.2)  # ln ratio lost at the knee
RATIOS = (4.0, 12.0)
LEAST, HIGHEST = 0.01, 0.7  # losses at the knee that a reading can still tell from none, and from all that there is
GENTLEST, STEEPEST = 1.5, 60.0
ROUND = 0.1  # of the age at the knee: how wide the corner is, to begin with
SHARPEST, ROUNDEST = 0.01, 0.5  # widths that are a corner, or a bend all along, to any measurement


@dataclass(frozen=True)
class SteadyKnee(OwnPace):
    """Two straight phases of ln headroom joined by a hyperbola, at each sensor's own pace.

    lost: ln ratio that the steady loss alone has taken at the knee, the same for all. ratio: how much faster the loss is after
    it. width: of the join, as a share of the age at the knee. The join is the bent
    hyperbola of Watts and Bacon 1974 (Technometrics 16:369-373), which has closed forms both ways. Empirical: a support or
    an electrolyte that carries on until it is used up, as capacity does in cells that have been cycled often.
    """

    lost: float = 0.2
    ratio: float = 4.0
    width: float = ROUND
    family: ClassVar[str] = "steady then knee"
    prior: ClassVar[float] = 0.10

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest, TYPICAL_LOSS, lost, ratio) for lost in KNEES for ratio in RATIOS]

    def near(self, step: float) -> list[Curve]:
        knees = [replace(self, lost=self.lost * np.exp(move * step)) for move in (-0.7, 0.7)]
        ratios = [replace(self, ratio=self.ratio ** (1.0 + move * step)) for move in (-0.35, 0.35)]
        widths = [replace(self, width=self.width * np.exp(move * step)) for move in (-0.8, 0.8)]
        found: list[Curve] = [item for item in knees + ratios if LEAST < item.lost < HIGHEST and GENTLEST < item.ratio < STEEPEST]
        return found + [item for item in widths if SHARPEST < item.width < ROUNDEST]

    @property
    def shape(self) -> FloatArray:
        return np.log([self.lost, self.ratio, self.width])

    def reshaped(self, shape: FloatArray) -> SteadyKnee:
        lost, ratio, width = np.clip(np.exp(shape), (LEAST, GENTLEST, SHARPEST), (HIGHEST, STEEPEST, ROUNDEST))
        return replace(self, lost=float(lost), ratio=float(ratio), width=float(width))

    def sharper(self, times: float) -> SteadyKnee:
        return replace(self, ratio=1.0 + times * (self.ratio - 1.0), width=float(np.clip(self.width / times, SHARPEST, ROUNDEST)))

    @property
    def parameter(self) -> str:
        return f"{self.ratio:.2g} times as fast once {self.lost:.2g} is lost"

    @property
    def _half(self) -> float:
        return 0.5 * (self.ratio - 1.0)

    def _loss(self, x: FloatArray) -> FloatArray:
        past = x - 1.0
        corner = past + np.sqrt(past**2 + self.width**2) + 1.0 - np.sqrt(1.0 + self.width**2)
        return self.lost * (x + self._half * corner)

    def _loss_inverse(self, loss: FloatArray) -> FloatArray:
        half = self._half  # y = (1 + half) u + half sqrt(u^2 + self.width^2) with u = x - 1
        y = loss / self.lost - 1.0 - half * (1.0 - np.sqrt(1.0 + self.width**2))
        return 1.0 + ((1.0 + half) * y - half * np.sqrt(y**2 + (1.0 + 2.0 * half) * self.width**2)) / (1.0 + 2.0 * half)

    def _loss_derivative(self, x: FloatArray) -> FloatArray:
        past = x - 1.0
        return self.lost * (1.0 + self._half * (1.0 + past / np.sqrt(past**2 + self.width**2)))

    def _loss_bend(self, x: FloatArray) -> FloatArray:
        return self.lost * self._half * self.width**2 / ((x - 1.0) ** 2 + self.width**2) ** 1.5
