"""Each forecast beside what came: one row per forecaster, date and sensor, from which every measure is taken."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from ..degradation.mixture import quantile
from ..life.lifedata import DAYS_PER_YEAR, years_between
from ..life.remaining import RemainingLife
from .outcomes import Ends, NextReadings
from .past import Forecast
from .prognostics import alpha_lambda_mass
from .scores import crps_distribution, crps_mixture

Array = NDArray[np.float64]

HORIZONS = (90, 180, 365)
QUANTILES = {"p05": 0.05, "p10": 0.1, "p25": 0.25, "p50": 0.5, "p75": 0.75, "p90": 0.9, "p95": 0.95}
LEAST_TRUE_DAYS = 1.0  # remaining life of which a share means something
ALPHA = 0.2  # alpha-lambda accuracy: within this share of the true remaining life


def end_rows(forecast: Forecast, asked: pd.DataFrame, as_of: pd.Timestamp, truth: Ends, decision_days: float) -> pd.DataFrame:
    """Forecasts of ends beside the truth, one row per life.

    Columns: as_of, forecaster, sensor_id, life_id, rul_days_p05 .. p95; for each horizon (90, 180, 365): p_end_90d, and at the
    moment nearest to it at which the life was looked at p_seen_90d and ended_90d; p_end_decision and ended_decision (within
    decision_days); lower_days, upper_days (inf: no end known), follow_up_days, ended, still_running, age_days (on the as-of
    date); pit_low, pit_high (with the blur of a reading's verdict); crps_days (up to the follow-up); alpha_mass (probability
    within 20 % of the true remaining life; NaN for no end).
    """
    assert forecast.cdf is not None
    ids = asked["life_id"].to_numpy(dtype=object)
    life = RemainingLife(ids, as_of, forecast.days, forecast.cdf, np.zeros_like(forecast.cdf))
    frame = pd.DataFrame(
        {"as_of": as_of, "forecaster": forecast.forecaster, "sensor_id": asked["sensor_id"].to_numpy(), "life_id": ids}
    )
    for name, q in QUANTILES.items():
        frame[f"rul_days_{name}"] = life.quantile(q)[0]
    for days in HORIZONS:
        frame[f"p_end_{days}d"] = life.p_end(days)
        looked, happened = truth.seen_about(days)
        frame[f"p_seen_{days}d"], frame[f"ended_{days}d"] = life.p_end(looked), happened
    frame["p_end_decision"], frame["ended_decision"] = life.p_end(decision_days), truth.seen_about(decision_days)[1]
    ended = truth.ended
    frame["lower_days"], frame["upper_days"], frame["follow_up_days"] = truth.lower, truth.upper, truth.follow_up
    frame["ended"], frame["still_running"] = ended, truth.running
    frame["age_days"] = years_between(asked["installed"], as_of) * DAYS_PER_YEAR
    low = truth.lower - truth.blur
    frame["pit_low"] = np.where(low > 0, life.p_end(low), 0.0)
    frame["pit_high"] = np.where(ended, life.p_end(np.where(ended, truth.upper, 0.0) + truth.blur), 1.0)
    stop = np.where(ended, truth.follow_up, np.minimum(truth.lower, truth.follow_up))
    seen = np.where(ended, truth.middle, np.inf)
    frame["crps_days"] = crps_distribution(forecast.days, forecast.cdf, seen, np.minimum(stop, forecast.days[-1]))
    frame["alpha_mass"] = np.nan
    later = ended & (truth.middle >= LEAST_TRUE_DAYS)
    if later.any():
        frame.loc[later, "alpha_mass"] = _mass_near(forecast, truth, later)
    return frame


def _mass_near(forecast: Forecast, truth: Ends, ended: NDArray[np.bool_]) -> Array:
    """Probability near the true remaining life, averaged over five places in the interval in which the end lies."""
    assert forecast.cdf is not None
    low, high = truth.lower[ended], truth.upper[ended]
    places = [low + (high - low) * share for share in (0.1, 0.3, 0.5, 0.7, 0.9)]
    return np.mean([alpha_lambda_mass(at, ALPHA, forecast.days, forecast.cdf[ended]) for at in places], axis=0)


def reading_rows(forecast: Forecast, asked: pd.DataFrame, as_of: pd.Timestamp, upcoming: NextReadings) -> pd.DataFrame:
    """Forecasts of the next readings beside them, one row per reading.

    Columns: as_of, forecaster, sensor_id, life_id, stratum, time, days (after the as-of date), shared
    (cylinder, or else session or day, of the reading), log_ratio, censoring,
    mean, median, sd, latent_sd, reading_sd (its two parts; NaN latent_sd for baselines), error (reading less median, the
    forecast with the least absolute error),
    pit_low, pit_high, crps (error and crps NaN for a reading at a limit). All in ln headroom ratio. Lives without a
    forecast are left out.
    """
    assert forecast.reading is not None
    mixture, whose = forecast.reading, asked.iloc[upcoming.life]
    y = upcoming.log_ratio
    mean = (mixture.weight * mixture.mean).sum(axis=0)
    sd = np.sqrt((mixture.weight * (mixture.variance + (mixture.mean - mean) ** 2)).sum(axis=0))
    median = quantile(mixture.weight, mixture.mean, mixture.variance, 0.5)
    at = (mixture.weight * ndtr((y - mixture.mean) / np.sqrt(mixture.variance))).sum(axis=0)
    plain = upcoming.censoring == 0
    frame = pd.DataFrame(
        {
            "as_of": as_of,
            "forecaster": forecast.forecaster,
            "sensor_id": whose["sensor_id"].to_numpy(),
            "life_id": whose["life_id"].to_numpy(),
            "stratum": whose["stratum"].to_numpy(),
            "time": as_of + pd.to_timedelta(upcoming.days, unit="D"),
            "days": upcoming.days,
            "shared": upcoming.shared,
            "log_ratio": y,
            "censoring": upcoming.censoring,
            "mean": mean,
            "median": median,
            "sd": sd,
            "latent_sd": mixture.latent_sd,
            "reading_sd": mixture.reading_sd,
            "error": np.where(plain, y - median, np.nan),
            "pit_low": np.where(upcoming.censoring < 0, 0.0, at),
            "pit_high": np.where(upcoming.censoring > 0, 1.0, at),
            "crps": np.where(plain, crps_mixture(mixture.weight, mixture.mean, mixture.variance, y), np.nan),
        }
    )
    return frame[np.isfinite(mean)].reset_index(drop=True)
