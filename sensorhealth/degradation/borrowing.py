"""What a stratum is believed to be like before its readings speak: usual sizes, and those of its own technology."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sensorhealth.degradation.effects import (
    BREAK_IN,
    CYLINDER,
    FADE,
    LOT_LEVEL,
    LOT_SLOPE,
    SESSION,
    STATED,
    USUAL_BIAS,
    USUAL_FADE,
    USUAL_GAS,
    PathPrior,
)
from sensorhealth.degradation.reml_data import Penalty, VarianceParameters
from sensorhealth.technologies import technologies

USUAL_LEVEL, USUAL_LEVEL_SD = 0.7, 0.5  # ln headroom ratio when new: ratios of 1.5 to 3 (common practice, no source)
USUAL_RATE = 0.10  # loss per year of a technology that the package does not know (assumption)
USUAL_NOISE, USUAL_SPREAD = 0.03, 0.10  # standard deviations in ln ratio (common practice, no source)
OWN_WEIGHT = 0.5  # of the usual sizes: a standard deviation may well be e**1.4, four times, larger or smaller
RELATIVE_WEIGHT = 2.0  # of the relatives' sizes: within a factor of two
USUAL_LIVES = 10  # sensors that the usual sizes count for beside those of the relatives
USUAL_BREAK_IN = 0.005  # of a break-in in ln ratio, by which sensors differ (a judgement)
SMALL = 1000  # lives from which on a stratum needs no such belief


def usual_rate(technology: str) -> float:
    """Usual loss per year of a technology (an assumption stated with the technology)."""
    known = technologies().get(technology)
    return known.rate_per_year if known is not None else USUAL_RATE


def usual_variances(rate: float) -> VarianceParameters:
    """Variances before any reading: noise 3 %, sensors 10 % apart when new, half as fast or half as slow again."""
    crossed = {
        CYLINDER: USUAL_GAS**2, STATED: USUAL_BIAS**2, FADE: USUAL_FADE**2, SESSION: 0.01**2, BREAK_IN: USUAL_BREAK_IN**2,
        LOT_LEVEL: (0.5 * USUAL_SPREAD) ** 2, LOT_SLOPE: (0.25 * rate) ** 2,
    }  # fmt: skip
    return VarianceParameters(USUAL_NOISE**2, np.diag([USUAL_SPREAD**2, (0.5 * rate) ** 2]), crossed)


def centre(technology: str, relatives: Sequence[tuple[VarianceParameters, int]]) -> VarianceParameters:
    """Geometric mean of the relatives' variances, weighted by their lives, the usual ones counting for a few lives."""
    usual = usual_variances(usual_rate(technology))
    everyone = [(usual, USUAL_LIVES), *relatives]
    weight = np.array([count for _, count in everyone], dtype=float)

    def mean(values: list[float]) -> float:
        known = np.array(values) > 0.0
        logs = np.log(np.array(values)[known])
        return float(np.exp(np.sum(weight[known] * logs) / weight[known].sum()))

    crossed = {name: mean([item.crossed.get(name, 0.0) for item, _ in everyone]) for name in usual.crossed}
    sensor = np.diag([mean([float(item.sensor[k, k]) for item, _ in everyone]) for k in (0, 1)])
    return VarianceParameters(mean([item.residual for item, _ in everyone]), sensor, crossed)


def penalty(technology: str, lives: int, relatives: Sequence[tuple[VarianceParameters, int]]) -> Penalty | None:
    """Weak belief about a stratum's relative standard deviations; none for a large one."""
    if lives >= SMALL:
        return None
    weight = RELATIVE_WEIGHT if relatives else OWN_WEIGHT
    return Penalty(boundary=0.0, centre=centre(technology, relatives), weight=weight)


def path_prior(technology: str, relatives: Sequence[tuple[float, float]]) -> PathPrior:
    """Belief about a stratum's mean path: (level, slope) of its relatives if it has any, else the usual ones."""
    rate = usual_rate(technology)
    if not relatives:
        return PathPrior(USUAL_LEVEL, USUAL_LEVEL_SD, -rate, rate)
    level, slope = np.array(relatives).T
    return PathPrior(
        float(level.mean()),
        float(np.hypot(level.std(), 0.5 * USUAL_LEVEL_SD)),
        float(slope.mean()),
        float(np.hypot(slope.std(), 0.5 * rate)),
    )
