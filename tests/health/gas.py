"""Cylinder effects of invented fleets as a correct fit gives them: the exact posterior of a crossed linear model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

START = np.datetime64("2022-01-01", "s")
SITES = ("north", "south", "east", "west")
NOISE, LEVEL_SD, SLOPE_SD, PRIOR_SD = 0.03, 0.1, 0.05, 0.04


@dataclass(frozen=True)
class Gas:
    """effects, cylinders, readings and residuals as the fit gives them; bias: the truth, by cylinder_id."""

    effects: pd.DataFrame
    cylinders: pd.DataFrame
    readings: pd.DataFrame
    residuals: pd.DataFrame
    bias: pd.Series


def gas_fleet(rng: np.random.Generator, bias: np.ndarray, *, per_site: int = 10, visits: int = 24, tolerance: float = 5.0) -> Gas:
    """Sensors at four sites, each with its own run of cylinders one after the other; bias (cylinders,) shared out to them."""
    sites = len(SITES)
    cylinder_of = np.array_split(np.arange(len(bias)), sites)
    rows = []
    for site, own in enumerate(cylinder_of):
        turn = np.minimum(np.arange(visits) * len(own) // visits, len(own) - 1)
        for sensor in range(per_site):
            rows += [(site * per_site + sensor, j / 12, own[turn[j]]) for j in range(visits)]
    sensor, age, cylinder = (np.array(column) for column in zip(*rows))
    level, slope = LEVEL_SD * rng.standard_normal(sites * per_site), -0.12 + SLOPE_SD * rng.standard_normal(sites * per_site)
    y = 0.7 + level[sensor] + slope[sensor] * age + bias[cylinder] + NOISE * rng.standard_normal(len(sensor))
    gas = np.eye(len(bias))[cylinder]
    eye = np.eye(sites * per_site)[sensor]
    design = np.c_[np.ones(len(y)), age]
    covariance = NOISE**2 * np.eye(len(y)) + PRIOR_SD**2 * gas @ gas.T
    covariance += LEVEL_SD**2 * eye @ eye.T + SLOPE_SD**2 * (eye * age[:, None]) @ (eye * age[:, None]).T
    inverse = np.linalg.inv(covariance)
    projection = inverse - inverse @ design @ np.linalg.solve(design.T @ inverse @ design, design.T @ inverse)
    mean = PRIOR_SD**2 * gas.T @ projection @ y
    variance = PRIOR_SD**2 - PRIOR_SD**4 * np.einsum("ni,nm,mi->i", gas, projection, gas)
    names = np.array([f"C{k:02d}" for k in range(len(bias))], dtype=object)
    return Gas(
        _effects(names, mean, variance, cylinder, sensor),
        pd.DataFrame({"cylinder_id": names, "gas": "CO", "concentration": 100.0, "tolerance_pct": tolerance, "expires": pd.NaT}),
        _readings(sensor, age, names[cylinder], y),
        pd.DataFrame({"residual": NOISE**2 * projection @ y, "gas_effect": mean[cylinder], "session_effect": 0.0}),
        pd.Series(bias, index=names),
    )


def _effects(names: np.ndarray, mean: np.ndarray, variance: np.ndarray, cylinder: np.ndarray, sensor: np.ndarray) -> pd.DataFrame:
    """The table of cylinder effects of the ageing model."""
    pairs = np.unique(np.c_[cylinder, sensor], axis=0)
    return pd.DataFrame(
        {
            "cylinder_id": names, "gas": "CO", "stratum": "electrochemical CO", "bias": mean, "bias_sd": np.sqrt(variance),
            "fade_per_year": 0.0, "fade_sd": 0.0, "correlation": 0.0, "prior_mean": 0.0, "prior_sd": PRIOR_SD,
            "fade_prior_mean": 0.0, "fade_prior_sd": 0.0, "last_used_days": 90.0,
            "sensors": np.bincount(pairs[:, 0], minlength=len(names)), "readings": np.bincount(cylinder, minlength=len(names)),
        }
    )  # fmt: skip


def _readings(sensor: np.ndarray, age: np.ndarray, cylinder: np.ndarray, y: np.ndarray) -> pd.DataFrame:
    """The columns of `health.readings` that are needed here."""
    name = np.array([f"s{i:03d}" for i in sensor], dtype=object)
    time = START + (age * 365.25 * 86_400).astype("timedelta64[s]")
    return pd.DataFrame(
        {"row": np.arange(1, len(y) + 1), "sensor_id": name, "life_id": name, "stratum": "electrochemical CO", "time": time,
         "site": np.array(SITES, dtype=object)[sensor * len(SITES) // (sensor.max() + 1)], "cylinder": cylinder, "log_ratio": y}
    )  # fmt: skip
