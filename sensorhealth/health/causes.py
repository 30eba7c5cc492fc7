"""Kernel: how probable each cause of one reading is, given how far it stands off its path and what is known of the
gas."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensorhealth.health.change_points import SIZE_VARIANCE, Rates

ORDINARY_GAS = 0.02
TOGETHER = 0.5
DIRTY_AIR = 0.8
CAUSES = ("no fault seen", "sensor", "gas", "handling", "zero")


@dataclass(frozen=True)
class Evidence:
    """What is known of one reading (sizes in ln ratio).

    off, sd: reading less what the other readings of its path let expect on good gas, and the standard deviation of that
    (gas not included). gas_bias, gas_sd, gas_off: what the other readings on the cylinder say of its bias, and the
    probability that it is off by more than matters (0 with no cylinder). gap_years: since the reading before. together:
    other sensors of the instrument read low at the same visit. zero_shift: what a zero held to be set in contaminated
    air does to this reading (0 for none). spent: the path itself has come down to the limit.
    """

    off: float
    sd: float
    gas_bias: float = 0.0
    gas_sd: float = 0.05
    gas_off: float = 0.0
    gap_years: float = 0.25
    together: bool = False
    zero_shift: float = 0.0
    spent: bool = False


def cause_probabilities(evidence: Evidence, rates: Rates | None = None) -> dict[str, float]:
    """Probability of each of CAUSES; they add up to one.

    Each cause is a normal density of `off`: nothing but noise and ordinary gas; a cylinder that is off, with the bias
    that its other readings show; a bad reading or a step of the sensor, of any size; a contaminated zero, of the size
    that the zeros show. Prior: `rates` (how often faults happen), the gas's own probability of being off, TOGETHER for
    handling where the whole instrument read low, DIRTY_AIR for a zero that was seen to be off. What noise alone
    explains counts as the sensor where its path has come down to the limit (`spent`): it is worn, and nothing
    happened.
    """
    rates = rates or Rates()
    e = evidence
    noise = e.sd**2 + ORDINARY_GAS**2
    wide = e.sd**2 + SIZE_VARIANCE
    zero = DIRTY_AIR if e.zero_shift else 0.0
    handling = TOGETHER if e.together else rates.single
    step = (rates.down if e.off < 0 else rates.up + rates.swap) * min(max(e.gap_years, 0.02), 2.0)
    side = 2 * ((1 - rates.high) if e.off < 0 else rates.high)
    prior = {"gas": e.gas_off, "zero": zero * (1 - e.gas_off), "handling": handling, "sensor": step}
    weight = {
        "no fault seen": (1 - e.gas_off) * (1 - zero) * (1 - handling) * _normal(e.off, 0.0, noise),
        "gas": prior["gas"] * _normal(e.off, e.gas_bias, e.sd**2 + e.gas_sd**2),
        "zero": prior["zero"] * _normal(e.off, e.zero_shift, noise + (0.3 * e.zero_shift) ** 2),
        "handling": (1 - e.gas_off) * (1 - zero) * prior["handling"] * side * _normal(e.off, 0.0, wide),
        "sensor": (1 - e.gas_off) * (1 - zero) * prior["sensor"] * 2 * _normal(e.off, 0.0, wide),
    }
    total = sum(weight.values())
    if not total > 0:
        weight, total = {"handling": prior["handling"], "sensor": prior["sensor"]}, prior["handling"] + prior["sensor"]
    found = {cause: float(weight.get(cause, 0.0) / total) for cause in CAUSES}
    if e.spent:
        found["sensor"] += found["no fault seen"]
        found["no fault seen"] = 0.0
    return found


def _normal(x: float, mean: float, variance: float) -> float:
    return float(np.exp(-0.5 * (x - mean) ** 2 / variance) / np.sqrt(2 * np.pi * variance))
