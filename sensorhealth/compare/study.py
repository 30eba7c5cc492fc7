"""How many sensors and months are needed to tell a lot that ages faster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sensorhealth.compare.source import likeliest
from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.reml_data import VarianceParameters

FloatArray = NDArray[np.float64]

MOST_SENSORS = 100_000
MONTH = 365.25 / 12.0


@dataclass(frozen=True)
class StudyBasis:
    """What a study of one kind of sensor starts from.

    slope: usual loss per unit of the time scale (its absolute value). sensor: (2, 2) covariance of level and slope between
    sensors; brownian, residual: variances of wander (per unit of the time scale) and of one reading. curve: time scale.
    """

    slope: float
    sensor: FloatArray
    brownian: float
    residual: float
    curve: Curve

    @classmethod
    def of(cls, slope: float, parameters: VarianceParameters, degrees: float, curve: Curve) -> StudyBasis:
        """From a fit; heavy-tailed noise of scale^2 s2 and nu degrees says as much as normal noise of s2 (nu+3)/(nu+1)."""
        worth = (degrees + 3.0) / (degrees + 1.0) if np.isfinite(degrees) else 1.0
        noise = worth * parameters.residual + parameters.returning
        return cls(abs(slope), parameters.sensor, parameters.brownian, noise, curve)


def slope_variance(basis: StudyBasis, months: float, interval_days: float, since_months: float = 0.0) -> float:
    """Variance of one sensor's own ageing rate as an estimate of its lot's, after `months` of calibrations.

    Generalised least squares of level and slope with the sensor's random level and slope, wander and noise. Errors of gas
    and session that both lots meet at the same visits cancel in their difference and are left out. since_months: age at
    the first calibration.
    """
    days = np.arange(0.0, months * MONTH + 1e-9, interval_days)
    g = basis.curve.value((since_months * MONTH + days) / 365.25)
    z = np.column_stack([np.ones_like(g), g])
    total = z @ basis.sensor @ z.T + basis.brownian * np.minimum.outer(g, g) + basis.residual * np.eye(g.size)
    information = z.T @ np.linalg.solve(total, z)
    if np.linalg.cond(information) > 1e14:
        return float("inf")
    return float(np.linalg.inv(information)[1, 1])


def power(
    basis: StudyBasis,
    change: float,
    months: float,
    sensors: float,
    others: float | None = None,
    *,
    interval_days: float = 30.0,
    alpha: float = 0.05,
    since_months: float = 0.0,
) -> float:
    """Chance to find, at two-sided level `alpha`, a lot that ages `change` (0.3 = 30 %) faster than the others.

    sensors: of the lot; others: to compare with (None: as many). Non-central t with sensors + others - 2 degrees of freedom.
    Source: the t test of two groups of summary statistics, Frison and Pocock (1992), Stat. Med. 11:1685-1704.
    """
    others = sensors if others is None else others
    degrees = sensors + others - 2.0
    if sensors < 2 or others < 2:
        return 0.0
    variance = slope_variance(basis, months, interval_days, since_months) * (1.0 / sensors + 1.0 / others)
    if not np.isfinite(variance):
        return 0.0
    shift = change * basis.slope / np.sqrt(variance)
    limit = stats.t.isf(alpha / 2, degrees)
    if shift > 30:
        return 1.0
    return float(stats.nct.sf(limit, degrees, shift) + stats.nct.cdf(-limit, degrees, shift))


def sensors_needed(
    basis: StudyBasis,
    change: float,
    months: float,
    wanted: float,
    others: int | None = None,
    *,
    interval_days: float = 30.0,
    alpha: float = 0.05,
    since_months: float = 0.0,
) -> int | None:
    """Fewest sensors of the lot for the wanted power; None where MOST_SENSORS do not suffice (arguments as in `power`)."""

    def enough(count: int) -> bool:
        reached = power(basis, change, months, count, others, interval_days=interval_days, alpha=alpha, since_months=since_months)
        return reached >= wanted

    high = 2
    while not enough(high):
        high *= 2
        if high > MOST_SENSORS:
            return None
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def study_plan(
    model: AgeingModel,
    *,
    changes: tuple[float, ...] = (0.2, 0.3, 0.5),
    months: tuple[float, ...] = (6, 12, 18, 24, 36),
    powers: tuple[float, ...] = (0.8, 0.9),
    others: int | None = None,
    interval_days: float = 30.0,
    alpha: float = 0.05,
) -> pd.DataFrame:
    """Sensors and months needed to tell a lot of new sensors that ages faster, for every kind the model was fitted on.

    changes: how much faster (0.3 = 30 %). months: of calibrations every `interval_days` from installation. powers: wanted.
    others: sensors of other lots to compare with, of the same age and at the same visits (None: as many as of the lot).
    Columns: technology, gas, change, months, power, sensors (of the lot; NaN where no number suffices), readings (of them
    in all), error_per_sensor (standard error of one sensor's rate, 1/year), slope_per_year (usual rate).
    """
    rows = []
    for item in model.strata_.values():
        fitted = likeliest(item)
        if fitted is None:
            continue
        basis = StudyBasis.of(float(fitted.fit.beta[1]), fitted.parameters, fitted.degrees, fitted.curve)
        for change in changes:
            for month in months:
                error = np.sqrt(slope_variance(basis, month, interval_days))
                for wanted in powers:
                    count = sensors_needed(basis, change, month, wanted, others, interval_days=interval_days, alpha=alpha)
                    visits = int(month * MONTH // interval_days) + 1
                    rows.append(
                        {
                            "technology": item.stratum.technology,
                            "gas": item.stratum.gas,
                            "change": change,
                            "months": month,
                            "power": wanted,
                            "sensors": float("nan") if count is None else count,
                            "readings": float("nan") if count is None else count * visits,
                            "error_per_sensor": error,
                            "slope_per_year": -basis.slope,
                        }
                    )
    return pd.DataFrame(rows)
