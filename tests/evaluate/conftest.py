"""Small fleets whose law is known, and a refit that knows that law: its forecasts must be found right."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pytest

from sensorhealth.decide import Policy
from sensorhealth.degradation.curves.linear import Linear
from sensorhealth.degradation.posterior import PathPosterior
from sensorhealth.health import lives as lives_of
from sensorhealth.health import readings as readings_of
from sensorhealth.life import RemainingLife, SuddenLife, remaining_life
from sensorhealth.records import Fleet

LEVEL, SLOPE, NOISE = (0.55, 0.12), (-0.30, 0.07), 0.03
START, END = pd.Timestamp("2021-01-01"), pd.Timestamp("2025-06-30")


def make_fleet(n: int, seed: int, sudden_per_year: float = 0.02, noise: float = NOISE) -> Fleet:
    """Straight paths in ln headroom ratio, tested every 120 days or so; removed at the first test that fails."""
    rng = np.random.default_rng(seed)
    installed = START + pd.to_timedelta(np.floor(rng.uniform(0, 1200, n)), unit="D")
    level, slope = rng.normal(*LEVEL, n), rng.normal(*SLOPE, n)
    death = rng.exponential(365.25 / sudden_per_year, n)
    rows, removed, reason = [], [pd.NaT] * n, [""] * n
    for i in range(n):
        day = float(rng.uniform(5, 120))
        while (when := installed[i] + pd.Timedelta(days=day)) <= END:
            y = level[i] + slope[i] * day / 365.25 + noise * rng.standard_normal()
            dead = day >= death[i]
            failed = dead or y <= 0
            headroom = np.nan if dead else 50.0 * np.exp(y)
            rows.append((f"s{i}", when, "span", 50.0, headroom, "fail" if failed else "pass"))
            if failed:
                removed[i], reason[i] = when + pd.Timedelta(days=3), "sudden" if dead else "worn"
                break
            day += float(rng.uniform(100, 140))
    sensors = pd.DataFrame(
        {
            "sensor_id": [f"s{i}" for i in range(n)],
            "gas": "CO",
            "technology": "electrochemical",
            "installed": installed,
            "unit": "ppm",
            "lot": [f"L{i % 4}" for i in range(n)],
            "site": "north",
            "removed": pd.Series(removed, dtype="datetime64[ns]"),
            "removal_reason": reason,
        }
    )
    calibrations = pd.DataFrame(rows, columns=["sensor_id", "time", "kind", "applied", "headroom", "outcome"])
    return Fleet.from_tables(sensors, calibrations)


@dataclass(frozen=True)
class KnownPast:
    """What a refit gives."""

    lives: pd.DataFrame
    readings: pd.DataFrame
    paths: list[PathPosterior]
    sudden: SuddenLife
    remaining: RemainingLife


@dataclass(frozen=True)
class KnowsTheLaw:
    """A refit that knows the law. spread: factor on what it claims as its standard deviation; shift: of its level."""

    spread: float = 1.0
    shift: float = 0.0
    noise: float = NOISE

    def __call__(self, fleet: Fleet, date: pd.Timestamp, policy: Policy) -> KnownPast:
        lives = lives_of(fleet)
        readings = readings_of(fleet, lives)
        sudden = SuddenLife().fit(lives, date)
        current = lives[lives["current"] & lives["ended"].isna()].reset_index(drop=True)
        path = self.posterior(readings, current, date)
        remaining = remaining_life([path], sudden, current, date, margin=policy.margin)
        return KnownPast(lives, readings, [path], sudden, remaining)

    def posterior(self, readings: pd.DataFrame, current: pd.DataFrame, date: pd.Timestamp) -> PathPosterior:
        place = pd.Index(current["life_id"]).get_indexer(pd.Index(readings["life_id"]))
        used = (place >= 0) & (readings["censoring"] == 0).to_numpy()
        place, t = place[used], readings["age_years"].to_numpy()[used]
        y, n = readings["log_ratio"].to_numpy()[used], len(current)
        precision = np.tile(np.diag([1 / LEVEL[1] ** 2, 1 / SLOPE[1] ** 2]), (n, 1, 1))
        linear = np.tile([LEVEL[0] / LEVEL[1] ** 2, SLOPE[0] / SLOPE[1] ** 2], (n, 1))
        design = np.stack([np.ones(t.size), t], axis=1)
        np.add.at(precision, place, design[:, :, None] * design[:, None, :] / self.noise**2)
        np.add.at(linear, place, design * y[:, None] / self.noise**2)
        covariance = np.linalg.inv(precision)
        mean = np.einsum("nij,nj->ni", covariance, linear)
        age = ((date - current["installed"]).dt.total_seconds() / 86400 / 365.25).to_numpy()
        move = np.tile(np.eye(2), (n, 1, 1))
        move[:, 0, 1] = age
        now, cov = np.einsum("nij,nj->ni", move, mean), move @ covariance @ move.transpose(0, 2, 1)
        one = np.ones(1)
        return PathPosterior(
            stratum="electrochemical CO", life_id=current["life_id"].to_numpy(dtype=object), weight=one, curve=(Linear(1.0),),
            level=now[None, :, 0] + self.shift, slope=now[None, :, 1], covariance=self.spread**2 * cov[None], phi_now=age[None],
            brownian=0 * one, residual_variance=self.noise**2 * one, degrees=np.inf * one, gas_variance=0 * one,
            readings_used=np.bincount(place, minlength=n),
        )  # fmt: skip


@pytest.fixture(scope="session")
def fleet_of() -> Callable[..., Fleet]:
    return make_fleet


@pytest.fixture(scope="session")
def knows_the_law() -> Any:
    return KnowsTheLaw
