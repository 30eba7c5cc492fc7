"""The forecast table: every sensor has a row, a status from the closed set and a reason."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sensorhealth.life import forecast_table, remaining_life
from sensorhealth.nomenclature import columns
from sensorhealth.records import Fleet

SPREAD = [[0.0004, 0.0], [0.0, 0.0009]]


def records(as_of: pd.Timestamp) -> Fleet:
    day = pd.Timedelta(days=1)
    sensors = pd.DataFrame(
        {
            "sensor_id": ["s1", "s2", "s3", "gone", "later", "alone"],
            "gas": "CO",
            "technology": "electrochemical",
            "installed": [as_of - 700 * day] * 4 + [as_of + 5 * day, as_of - 10 * day],
            "unit": "ppm",
            "removed": [pd.NaT, pd.NaT, pd.NaT, as_of - 100 * day, pd.NaT, pd.NaT],
            "removal_reason": ["", "", "", "precaution", "", ""],
            "warranty_end": [as_of + 100 * day, as_of - 1 * day, pd.NaT, pd.NaT, pd.NaT, pd.NaT],
        }
    )
    calibrations = pd.DataFrame(
        {
            "sensor_id": ["s1", "s1", "s1", "s2", "s3", "gone"],
            "time": [
                as_of - 200 * day,
                as_of - 20 * day,
                as_of - 2 * day,
                as_of - 300 * day,
                as_of - 30 * day,
                as_of - 150 * day,
            ],
            "kind": ["span", "bump", "zero", "span", "full", "span"],
            "applied": 50.0,
            "headroom": [90.0, np.nan, np.nan, 80.0, 51.0, 70.0],
            "outcome": ["pass", "", "pass", "fail", "pass", "pass"],
        }
    )
    return Fleet.from_tables(sensors, calibrations)


@pytest.fixture
def table(lives_of: Any, path_of: Any, as_of: pd.Timestamp, constant_hazard: Any) -> pd.DataFrame:
    lives = lives_of([700.0, 700.0, 700.0])
    path = path_of(lives, [0.6, 0.3, -0.1], [-0.2, -0.3, -0.2], SPREAD, residual=0.0004, gas=0.0004)
    object.__setattr__(path, "readings_used", np.array([5, 1, 9]))
    hazard = constant_hazard(0.02)
    remaining = remaining_life([path], hazard, lives, as_of)
    return forecast_table(remaining, [path], lives, records(as_of), sudden=hazard).set_index("sensor_id", drop=False)


def test_every_sensor_has_a_row_with_the_columns_of_the_dictionary(table: pd.DataFrame) -> None:
    assert table["sensor_id"].tolist() == ["s1", "s2", "s3", "gone", "later", "alone"]
    assert list(table.columns) == list(columns("forecast"))
    assert set(table["status"]) <= set(columns("forecast")["status"].choices)
    assert (table["reason"] != "").all()


def test_the_status_says_what_stands_behind_the_numbers(table: pd.DataFrame) -> None:
    expected = ["forecast", "group forecast", "at end", "removed", "not yet installed", "no forecast"]
    assert table["status"].tolist() == expected
    assert table.loc["gone", "reason"] == "removed: precaution"
    assert table.loc["s2", "reason"].startswith("1 reading")


def test_numbers_are_there_for_forecasts_and_only_for_them(table: pd.DataFrame) -> None:
    numbers = [name for name in table.columns if name.startswith(("rul_days", "p_end_9", "headroom"))]
    assert table.loc[["s1", "s2", "s3"], numbers].notna().all(axis=None)
    assert table.loc[["gone", "later", "alone"], numbers].isna().all(axis=None)
    assert table.loc["s3", "rul_days_p50"] == 0.0
    assert (np.diff(table.loc["s1", [n for n in numbers if n.startswith("rul")]].to_numpy(float)) >= 0).all()


def test_headroom_is_the_posterior_net_of_the_gas(table: pd.DataFrame) -> None:
    assert table.loc["s1", "headroom_ratio"] == pytest.approx(np.exp(0.6), rel=1e-6)
    assert table.loc["s1", "headroom_ratio_p05"] == pytest.approx(np.exp(0.6 - 1.6448536 * 0.02), rel=1e-6)
    assert table.loc["s1", "ageing_per_year"] == pytest.approx(-0.2)
    assert table.loc["s1", "age_days"] == pytest.approx(700.0)
    assert table.loc["gone", "age_days"] == pytest.approx(600.0)


def test_the_warranty_counts_while_it_runs(table: pd.DataFrame) -> None:
    assert 0 < table.loc["s1", "p_end_before_warranty_end"] < table.loc["s1", "p_end_180d"]
    assert np.isnan(table.loc["s2", "p_end_before_warranty_end"])


def test_the_next_calibration_is_due_an_interval_after_the_last_gas_test(table: pd.DataFrame) -> None:
    assert table.loc["s1", "last_gas_test_outcome"] == "unknown"  # the zero two days ago is no gas test
    assert table.loc["s2", "last_gas_test_outcome"] == "fail"
    # s2 is overdue: due at once, latent 0.3 with 0.02, noise and gas 0.02 each
    sd = np.sqrt(0.0004 * 3)
    assert table.loc["s2", "p_next_calibration_fails"] == pytest.approx(stats.norm.cdf(-0.3 / sd), abs=1e-6)
    assert table.loc["s3", "p_next_calibration_fails"] > 0.99


def test_galvanic_oxygen_says_where_its_forecast_comes_from(
    lives_of: Any, path_of: Any, as_of: pd.Timestamp, constant_hazard: Any
) -> None:
    lives = lives_of([700.0, 700.0, 700.0], technology="galvanic oxygen", gas="O2")
    path = path_of(lives, [0.6, 0.3, -0.3], [-0.2, -0.3, -0.2], SPREAD)
    hazard = constant_hazard(0.3)
    remaining = remaining_life([path], hazard, lives, as_of)
    table = forecast_table(remaining, [path], lives, records(as_of), sudden=hazard)
    assert table["status"].tolist()[:3] == ["forecast", "forecast", "at end"]
    assert "ages at death" in table["reason"].iloc[0]
    assert table["mode"].iloc[0] == "sudden"
