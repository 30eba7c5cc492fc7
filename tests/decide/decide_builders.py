"""Small invented tables for the tests of decisions."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

KIND = "electrochemical H2S"
AS_OF = pd.Timestamp("2026-03-31")
GRID = np.concatenate([np.arange(0, 371, 7), np.arange(395, 3651, 30), [3650]]).astype(float)


@dataclass(frozen=True)
class LifeRows:
    """A set of life distributions with the shape that the decisions ask for."""

    life_id: np.ndarray
    grid_days: np.ndarray
    soft: np.ndarray
    sudden: np.ndarray


@dataclass(frozen=True)
class Tables:
    """The tables of a fleet that the decisions read."""

    sensors: pd.DataFrame
    calibrations: pd.DataFrame
    cylinders: pd.DataFrame = field(default_factory=pd.DataFrame)


def weibull_rows(ids: list[str], scale_days: Any, shape: float = 4.0, hazard_per_year: float = 0.0) -> LifeRows:
    """Remaining lives: soft ends Weibull with a scale per sensor, sudden ends at one constant hazard."""
    scale = np.broadcast_to(np.asarray(scale_days, dtype=float), (len(ids),))
    alone = stats.weibull_min.cdf(GRID[None, :], shape, scale=scale[:, None])
    gone = np.broadcast_to(-np.expm1(-hazard_per_year * GRID / 365.25), alone.shape)
    return LifeRows(np.array(ids, dtype=object), GRID, *competing(alone, gone))


def competing(alone: np.ndarray, gone: np.ndarray) -> list[np.ndarray]:
    """Incidence of the two ends as competing risks from the chance of each alone."""
    ends = []
    for mine, other in ((alone, gone), (gone, alone)):
        step = np.diff(mine, axis=1) * (1.0 - 0.5 * (other[:, 1:] + other[:, :-1]))
        ends.append(np.concatenate([np.zeros((len(mine), 1)), step.cumsum(axis=1)], axis=1))
    return ends


def forecast_rows(ids: list[str], **columns: Any) -> pd.DataFrame:
    """A forecast table of sensors in service whose last gas test was passed a month ago."""
    values: dict[str, Any] = {
        "sensor_id": ids,
        "status": "forecast",
        "reason": "",
        "as_of": AS_OF,
        "age_days": 400.0,
        "headroom_ratio": 1.6,
        "headroom_ratio_p05": 1.55,
        "headroom_ratio_p95": 1.65,
        "ageing_per_year": -0.12,
        "p_end_before_warranty_end": np.nan,
        "readings_used": 8,
        "last_gas_test": AS_OF - pd.Timedelta(days=30),
        "last_gas_test_outcome": "pass",
    }
    return pd.DataFrame({**values, **columns}, index=range(len(ids)))


def tables(ids: list[str], cylinder: Any = "C1", kind: str = "full", days_ago: Any = 30, **columns: Any) -> Tables:
    """Sensors with one calibration each, `days_ago` before the as-of date."""
    values: dict[str, Any] = {
        "sensor_id": ids,
        "technology": "electrochemical",
        "gas": "H2S",
        "site": "North",
        "lot": "L1",
        "installed": AS_OF - pd.Timedelta(days=400),
        "warranty_end": pd.NaT,
        "unit_cost": 200.0,
        "removed": pd.NaT,
    }
    sensors = pd.DataFrame({**values, **columns}, index=range(len(ids)))
    sensors["warranty_end"] = pd.to_datetime(sensors["warranty_end"])
    tests = pd.DataFrame(
        {
            "sensor_id": ids,
            "time": AS_OF - pd.to_timedelta(np.broadcast_to(days_ago, (len(ids),)), unit="D"),
            "kind": kind,
            "cylinder_id": cylinder,
            "outcome": "pass",
        }
    )
    return Tables(sensors, tests)
