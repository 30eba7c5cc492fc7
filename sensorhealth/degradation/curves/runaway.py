"""A steady loss that runs away: from some loss on each further bit of it speeds the next, at each sensor's own pace."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from scipy.special import wrightomega

from sensorhealth.degradation.curves.base import Curve, FloatArray
from sensorhealth.degradation.curves.own_pace import TYPICAL_LOSS, OwnPace

TURNS = (0.05, 0.2)  # ln ratio that steady loss alone has taken where the rate has doubled
WIDTH = 0.15
LEAST, HIGHEST = 0.01, 0.7  # turns that a reading can still tell from none, and from all that there is
NARROWEST, WIDEST = 0.03, 0.6  # widths beyond which it is a corner, or a bend all along
STEEPEST = 8.0  # of the exponent, beyond which, some thousand times as fast and where nothing is read, the path is straight


@dataclass(frozen=True)
class Runaway(OwnPace):
    """Steady loss of ln headroom with an exponential on top: loss = lost (x + width (exp((x - 1) / width) - exp(-1 / width))).

    lost: ln ratio that the steady loss alone has taken at x = 1, where the rate has doubled, the same for all. width: in x, in
    which the added rate grows e-fold. Empirical: a linear fade and a growing exponential, as the capacity of cells is described
    (He, Williard, Osterman and Pecht 2011, J. Power Sources 196:10314-10321; cited from memory).
    """

    lost: float = 0.2
    width: float = WIDTH
    family: ClassVar[str] = "steady then runaway"
    prior: ClassVar[float] = 0.10

    @classmethod
    def grid(cls, oldest: float) -> list[Curve]:
        return [cls(oldest, TYPICAL_LOSS, lost) for lost in TURNS]

    def near(self, step: float) -> list[Curve]:
        turns = [replace(self, lost=self.lost * np.exp(move * step)) for move in (-0.7, 0.7)]
        widths = [replace(self, width=self.width * np.exp(move * step)) for move in (-0.6, 0.6)]
        return [item for item in turns + widths if LEAST < item.lost < HIGHEST and NARROWEST < item.width < WIDEST]

    @property
    def shape(self) -> FloatArray:
        return np.log([self.lost, self.width])

    def reshaped(self, shape: FloatArray) -> Runaway:
        lost, width = np.clip(np.exp(shape), (LEAST, NARROWEST), (HIGHEST, WIDEST))
        return replace(self, lost=float(lost), width=float(width))

    def sharper(self, times: float) -> Runaway:
        return replace(self, width=float(np.clip(self.width / times, NARROWEST, WIDEST)))

    @property
    def parameter(self) -> str:
        return f"twice as fast once {self.lost:.2g} is lost, width {self.width:.2g}"

    @property
    def _at_start(self) -> float:
        return float(np.exp(-1.0 / self.width))

    @property
    def _last(self) -> tuple[float, float]:
        """x from which the path goes on straight, and the loss there."""
        x = 1.0 + self.width * STEEPEST
        return x, self.lost * (x + self.width * (float(np.exp(STEEPEST)) - self._at_start))

    def _added(self, x: FloatArray) -> FloatArray:
        """By how many times the steady rate the loss is faster."""
        return np.exp(np.minimum((x - 1.0) / self.width, STEEPEST))

    def _loss(self, x: FloatArray) -> FloatArray:
        over = np.maximum(x - self._last[0], 0.0)
        added = self._added(x)
        return self.lost * (x + self.width * (added - self._at_start) + over * added)

    def _loss_inverse(self, loss: FloatArray) -> FloatArray:
        gone = self._last[1]
        start = self.width * self._at_start  # with z = exp((x - 1) / width): ln z + z = (loss / lost + start - 1) / width
        z = np.asarray(wrightomega((np.minimum(loss, gone) / self.lost + start - 1.0) / self.width), dtype=np.float64)
        late = 1.0 + self.width * np.log(np.maximum(z, 1.0))
        curved = np.where(z > 1.0, late, np.minimum(loss, gone) / self.lost - self.width * z + start)
        return curved + np.maximum(loss - gone, 0.0) / (self.lost * (1.0 + np.exp(STEEPEST)))

    def _loss_derivative(self, x: FloatArray) -> FloatArray:
        return self.lost * (1.0 + self._added(x))

    def _loss_bend(self, x: FloatArray) -> FloatArray:
        return np.where(x < self._last[0], self.lost * self._added(x) / self.width, 0.0)
