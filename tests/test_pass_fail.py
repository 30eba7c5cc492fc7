"""Fleets whose tests left no value: only that they passed or failed, or nothing about the span at all."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sensorhealth
from sensorhealth.records import Fleet

START = pd.Timestamp("2018-01-01")
DAY = START + pd.Timedelta(days=1000)
EVERY = 60


def pass_fail_fleet(lives_days: np.ndarray, installed_days: np.ndarray, outcome: bool = True) -> Fleet:
    """Sensors tested every 60 days up to DAY and removed as worn at their first failed test."""
    rows, removed = [], []
    for k, (life, begun) in enumerate(zip(lives_days, installed_days)):
        ages = np.arange(float(7 * k % EVERY), 1000.0 - begun, EVERY)
        failed = np.flatnonzero(ages >= life)
        ages = ages[: failed[0] + 1] if failed.size else ages
        removed.append(begun + ages[-1] + 1 if failed.size else np.nan)
        rows += [(f"s{k}", begun + age, "fail" if age >= life else "pass") for age in ages]
    calibrations = pd.DataFrame(rows, columns=["sensor_id", "day", "outcome"])
    calibrations["time"] = START + pd.to_timedelta(calibrations.pop("day"), unit="D")
    calibrations["kind"] = "span" if outcome else "zero"
    calibrations = calibrations.assign(zero_offset=0.0) if not outcome else calibrations
    sensors = pd.DataFrame({
        "sensor_id": [f"s{k}" for k in range(len(lives_days))], "gas": "CO", "technology": "electrochemical", "unit": "ppm",
        "installed": START + pd.to_timedelta(installed_days, unit="D"), "removed": START + pd.to_timedelta(removed, unit="D"),
    }).assign(removal_reason=lambda frame: frame["removed"].notna().map({True: "worn", False: ""}))  # fmt: skip
    return Fleet.from_tables(sensors, calibrations if outcome else calibrations.drop(columns="outcome"))


def test_remaining_life_is_told_from_passes_and_failures_alone() -> None:
    """Taken alone, failures without a value would say that every sensor stands at its limit."""
    rng = np.random.default_rng(20)
    lives, installed = 750.0 * np.exp(0.3 * rng.standard_normal(80)), np.floor(rng.uniform(0.0, 700.0, 80))
    analysis = sensorhealth.analyse(pass_fail_fleet(lives, installed), as_of=DAY)
    forecast = analysis.forecast.set_index("sensor_id")
    left = pd.Series(installed + lives - 1000.0, index=[f"s{k}" for k in range(80)])
    running = left.index[(left > 0) & forecast.loc[left.index, "rul_days_p50"].notna()]
    own, left = forecast.loc[running], left[running]
    assert len(own) > 40
    held = ((own["rul_days_p05"] <= left) & (left <= own["rul_days_p95"])).mean()
    assert 0.8 <= held <= 0.99
    assert 0.3 <= (left < own["rul_days_p50"]).mean() <= 0.7
    assert not analysis.plan.set_index("sensor_id").loc[left.index[left > 365], "action"].eq("swap now").any()


def test_a_fleet_that_only_passed_is_not_swapped() -> None:
    analysis = sensorhealth.analyse(pass_fail_fleet(np.full(40, 1e5), np.linspace(0.0, 400.0, 40)), as_of=DAY)
    assert (analysis.readings["source"] == "passed").all()
    assert (analysis.forecast["p_end_90d"] < 0.1).all()
    assert analysis.forecast["p_end_365d"].mean() < 0.05  # .13 where passes alone were taken to tell variances and knees
    assert set(analysis.plan["action"]) <= {"keep", "test with gas"}
    assert any(
        "40 sensors, all passes without a value, do not tell how sensors differ" in note for note in analysis.ageing.notes_
    )


def test_sessions_whose_sensors_only_passed_show_nothing() -> None:
    """Known by cylinder and by technician, without one value to compare within a session."""
    fleet = pass_fail_fleet(np.full(12, 1e5), np.zeros(12))
    told = fleet.calibrations[["sensor_id", "time", "kind", "outcome"]].assign(technician="T1", cylinder_id="C1")
    told["time"] = START + (told["time"] - START) // pd.Timedelta(days=EVERY) * pd.Timedelta(days=EVERY)  # all on the same days
    sensors = fleet.sensors[["sensor_id", "gas", "technology", "unit", "installed"]].assign(site="yard")
    analysis = sensorhealth.analyse(Fleet.from_tables(sensors, told), as_of=DAY, model={"curves": "exponential"})
    assert analysis.readings["session"].ne("").all() and len(analysis.forecast) == 12


@pytest.mark.parametrize("outcome", [True, False], ids=["passes", "zeros"])
def test_a_fleet_without_one_value_has_a_track_record(outcome: bool) -> None:
    fleet = pass_fail_fleet(np.full(12, 1e5), np.linspace(0.0, 400.0, 12), outcome=outcome)
    analysis = sensorhealth.analyse(fleet, as_of=DAY)
    assert len(analysis.forecast) == 12 and analysis.forecast["status"].ne("no forecast").all()
    record = analysis.track_record(as_of_dates=[DAY - pd.Timedelta(days=200)])
    assert "too few" in record.sentence
