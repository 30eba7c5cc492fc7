"""What a group's ageing means: how long its sensors live, and what that costs against the others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from sensorhealth.degradation.curves import Curve

FloatArray = NDArray[np.float64]

NODES = 240


@dataclass(frozen=True)
class SensorSpread:
    """How sensors of one stratum differ and wander about their group's path.

    sensor: (2, 2) covariance of level and slope between sensors. brownian: variance of the wander per unit of the
    time scale. shape, scale_years: Weibull of sudden deaths (scale inf: none). margin: ln ratio at which life ends.
    """

    sensor: FloatArray
    brownian: float
    shape: float
    scale_years: float
    margin: float = 0.0


def mean_life(
    level: FloatArray, slope: FloatArray, hazard: FloatArray, spread: SensorSpread, curve: Curve, horizon_years: float
) -> FloatArray:
    """Mean life (k,) in years of new sensors of groups with these mean levels, slopes and hazard ratios, up to the
    horizon.

    Integral of P(latent path above the end) * P(no sudden death). The path's probability is that of the random line
    and wander at each age, made non-increasing: exact for monotone paths, and close where the wander is small beside
    the loss.
    """
    ages = np.linspace(0.0, horizon_years, NODES + 1)
    phi = curve.path_by_slope(slope[:, None], ages)
    variance = spread.sensor[0, 0] + 2 * phi * spread.sensor[0, 1] + phi**2 * spread.sensor[1, 1] + spread.brownian * phi
    sd = np.sqrt(np.maximum(variance, 1e-12))
    above = special.ndtr((level[:, None] + curve.path(slope[:, None], ages) - spread.margin) / sd)
    above = np.minimum.accumulate(above, axis=1)
    clock = (ages / spread.scale_years) ** spread.shape if np.isfinite(spread.scale_years) else np.zeros_like(ages)
    alive = above * np.exp(-np.where(np.isfinite(hazard), hazard, 1.0)[:, None] * clock)
    return np.asarray(np.trapezoid(alive, ages, axis=1))


def life_interval(
    mean: FloatArray,
    covariance: FloatArray,
    hazard: FloatArray,
    spread: SensorSpread,
    curve: Curve,
    horizon_years: float,
    rng: np.random.Generator,
    level: float = 0.90,
) -> tuple[float, float, float]:
    """Mean life of one group and its interval.

    hazard (draws + 1,): hazard ratio, best value first; (level, slope) ~ N(mean (2,), covariance (2, 2)) is drawn as
    often.
    """
    root = np.linalg.cholesky(covariance + 1e-14 * np.eye(2))
    drawn = mean + rng.standard_normal((hazard.size - 1, 2)) @ root.T
    both = np.vstack([mean, drawn])
    lives = mean_life(both[:, 0], both[:, 1], hazard, spread, curve, horizon_years)
    low, high = np.quantile(lives[1:], [0.5 - level / 2, 0.5 + level / 2])
    return float(lives[0]), float(low), float(high)


def extra_cost(
    sensors: FloatArray, life: FloatArray, usual_life: FloatArray, price: FloatArray, horizon_years: float
) -> FloatArray:
    """Extra money (k,) over the horizon for positions that hold such sensors instead of usual ones.

    Renewals in a long run are horizon / mean life per position (elementary renewal theorem); price: of one
    replacement, all in. A figure to compare lots with, not a budget: the sensors in place now are not new. NaN where a mean
    life is none.
    """
    own, usual = (np.where(mean > 0.0, mean, np.nan) for mean in (life, usual_life))
    return sensors * price * horizon_years * (1.0 / own - 1.0 / usual) + 0.0
