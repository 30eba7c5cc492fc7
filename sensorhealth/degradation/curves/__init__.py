"""Ageing curves: one file a family, stating its shape; what is done with curves is written once elsewhere.

The prior weights of the families are a judgement, not a measurement (common practice, no source): exponential loss is
what most published electrochemical records look like, so it holds the largest share; no other shape is ruled out.
"""

from __future__ import annotations

from sensorhealth.degradation.curves.base import Curve
from sensorhealth.degradation.curves.linear import Linear
from sensorhealth.degradation.curves.linear_loss import LinearLoss
from sensorhealth.degradation.curves.plateau_knee import PlateauKnee
from sensorhealth.degradation.curves.power import Power
from sensorhealth.degradation.curves.runaway import Runaway
from sensorhealth.degradation.curves.square_root import SquareRoot
from sensorhealth.degradation.curves.steady_knee import SteadyKnee
from sensorhealth.degradation.curves.two_phase import TwoPhase

FAMILIES: tuple[type[Curve], ...] = (Linear, SquareRoot, Power, LinearLoss, PlateauKnee, SteadyKnee, Runaway, TwoPhase)


def candidates(oldest: float, families: tuple[type[Curve], ...] = FAMILIES) -> list[tuple[Curve, float]]:
    """Every curve worth trying on readings up to the age `oldest` (years), with prior weights that add up to 1."""
    found: list[tuple[Curve, float]] = []
    for family in families:
        members = family.grid(oldest)
        found += [(curve, family.prior / len(members)) for curve in members]
    total = sum(weight for _, weight in found)
    return [(curve, weight / total) for curve, weight in found]


__all__ = [
    "FAMILIES", "Curve", "Linear", "LinearLoss", "PlateauKnee", "Power", "Runaway", "SquareRoot", "SteadyKnee", "TwoPhase",
    "candidates",
]  # fmt: skip
