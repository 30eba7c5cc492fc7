"""Small hand-made posteriors and lives for the tests of this room."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.curves.linear import Linear
from sensorhealth.degradation.posterior import PathPosterior

AS_OF = pd.Timestamp("2026-01-01")


@pytest.fixture
def as_of() -> pd.Timestamp:
    return AS_OF


def make_lives(age_days: list[float], technology: str = "electrochemical", gas: str = "CO") -> pd.DataFrame:
    """Running lives of the given ages on the as-of date."""
    installed = AS_OF - pd.to_timedelta(np.asarray(age_days, dtype=float), unit="D")
    names = [f"s{number + 1}" for number in range(len(age_days))]
    missing = pd.Series(pd.NaT, index=range(len(age_days)), dtype="datetime64[ns]")
    return pd.DataFrame(
        {
            "life_id": names,
            "sensor_id": names,
            "technology": technology,
            "gas": gas,
            "stratum": f"{technology} {gas}",
            "installed": installed,
            "entered": installed,
            "last_test": AS_OF,
            "last_alive": AS_OF,
            "ended": missing,
            "end_kind": "",
            "current": True,
        }
    )


@pytest.fixture
def lives_of() -> Callable[..., pd.DataFrame]:
    return make_lives


def make_path(
    lives: pd.DataFrame,
    level: list[float],
    slope: list[float],
    covariance: list[list[float]],
    brownian: float = 0.0,
    curves: tuple[Curve, ...] = (Linear(reference=1.0),),
    weight: tuple[float, ...] = (1.0,),
    residual: float = 0.0,
    gas: float = 0.0,
) -> PathPosterior:
    """One posterior for all lives, the same for every component but for the curve."""
    m, n = len(curves), len(lives)
    ages = ((AS_OF - lives["installed"]).dt.total_seconds() / 86400.0 / 365.25).to_numpy()
    return PathPosterior(
        stratum=lives["stratum"].iloc[0],
        life_id=lives["life_id"].to_numpy(dtype=object),
        weight=np.array(weight),
        curve=curves,
        level=np.tile(np.asarray(level, dtype=float), (m, 1)),
        slope=np.tile(np.asarray(slope, dtype=float), (m, 1)),
        covariance=np.tile(np.asarray(covariance, dtype=float), (m, n, 1, 1)),
        phi_now=np.stack([curve.value(ages) for curve in curves]),
        brownian=np.full(m, brownian),
        residual_variance=np.full(m, residual),
        degrees=np.full(m, np.inf),
        gas_variance=np.full(m, gas),
        readings_used=np.full(n, 5),
    )


@pytest.fixture
def path_of() -> Callable[..., PathPosterior]:
    return make_path


class NeverSudden:
    """No sensor dies suddenly."""

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: np.ndarray) -> np.ndarray:
        return np.zeros((len(lives), np.size(days)))


class ConstantHazard:
    """Every sensor dies at one rate per year."""

    def __init__(self, rate: float) -> None:
        self.rate = rate

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: np.ndarray) -> np.ndarray:
        return np.tile(-np.expm1(-self.rate * np.asarray(days) / 365.25), (len(lives), 1))


@pytest.fixture
def never_sudden() -> NeverSudden:
    return NeverSudden()


@pytest.fixture
def constant_hazard() -> type[ConstantHazard]:
    return ConstantHazard
