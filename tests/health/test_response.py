"""Response times of known truth: who slows, and who does not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth import health

from .fleets import Tables, tables


def slowing_fleet(seed: int = 0, slow: dict[str, float] | None = None) -> Tables:
    """Twenty sensors, monthly response times that rise by 5 % a year, those in `slow` faster (d ln / dt)."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(20):
        name = f"s{i:02d}"
        when = pd.date_range("2022-02-01", periods=30, freq="30D")
        rate = (slow or {}).get(name, 0.05 + 0.01 * rng.standard_normal())
        value = 25 * np.exp(0.05 * rng.standard_normal() + rate * np.arange(30) * 30 / 365.25 + 0.04 * rng.standard_normal(30))
        rows += [{"sensor_id": name, "time": t, "response_seconds": round(v, 1)} for t, v in zip(when, value)]
    return tables([{"sensor_id": f"s{i:02d}"} for i in range(20)] + [{"sensor_id": "blank"}], rows)


def test_sensors_that_slow_are_flagged_with_their_trend() -> None:
    fleet = slowing_fleet(slow={"s04": 0.4, "s11": 0.5})
    found = health.response_times(fleet, health.lives(fleet)).set_index("sensor_id")
    assert found.index[found["slowing"].astype(bool)].tolist() == ["s04", "s11"]
    row = found.loc["s04"]
    assert row["rate_per_year"] == pytest.approx(0.4, abs=0.08)
    assert 0.2 < row["rate_low"] < row["rate_per_year"] < row["rate_high"]
    assert "slowing" in row["reason"] and "a year" in row["reason"]


def test_a_kind_that_slows_as_a_whole_flags_nobody() -> None:
    for seed in range(3):
        fleet = slowing_fleet(seed)
        assert not health.response_times(fleet, health.lives(fleet))["slowing"].any()


def test_one_slow_response_is_no_trend() -> None:
    fleet = slowing_fleet(seed=5)
    at = fleet.calibrations.index[fleet.calibrations["sensor_id"] == "s02"][-1]
    slow = fleet.calibrations["response_seconds"].where(fleet.calibrations.index != at, 80.0)
    fleet = Tables(fleet.sensors, fleet.calibrations.assign(response_seconds=slow), fleet.cylinders)
    assert not health.response_times(fleet, health.lives(fleet))["slowing"].any()


def test_every_life_has_a_row() -> None:
    fleet = slowing_fleet()
    found = health.response_times(fleet, health.lives(fleet)).set_index("sensor_id")
    assert len(found) == 21
    assert found.loc["blank", "status"] == "not recorded" and found.loc["blank", "readings"] == 0
