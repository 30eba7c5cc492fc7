"""What a calibration says about headroom, and what it does not say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth import health

from .fleets import tables


def read(sensors, calibrations, cylinders=None, splits=None):
    fleet = tables(sensors, calibrations, cylinders)
    return health.readings(fleet, health.lives(fleet, splits))


def test_headroom_over_applied_is_the_ratio():
    got = read([{"sensor_id": "a"}], [{"time": "2023-01-01", "headroom": 180.0, "span_gain": 2.0}])
    assert got["log_ratio"].tolist() == [np.log(1.8)]
    assert got["source"].tolist() == ["headroom"]
    assert got["age_years"].tolist() == [365 / 365.25]


def test_gain_speaks_where_no_headroom_is_recorded():
    got = read([{"sensor_id": "a"}], [{"time": "2023-01-01", "span_gain": 2.0}])
    assert got["log_ratio"].tolist() == [np.log(1.5)]
    assert got["source"].tolist() == ["gain"]


def test_zero_aborted_and_plain_bump_say_nothing():
    rows = [
        {"time": "2023-01-01", "kind": "zero", "headroom": 180.0, "span_gain": 2.0},
        {"time": "2023-01-02", "outcome": "aborted", "headroom": 180.0},
        {"time": "2023-01-03", "kind": "bump", "span_gain": 2.0},
    ]
    assert read([{"sensor_id": "a"}], rows).empty


def test_bump_with_headroom_is_a_reading():
    got = read([{"sensor_id": "a"}], [{"time": "2023-01-03", "kind": "bump", "headroom": 150.0}])
    assert got["log_ratio"].tolist() == [np.log(1.5)]


def test_failure_without_a_value_is_left_censored():
    got = read([{"sensor_id": "a"}], [{"time": "2023-01-01", "outcome": "fail"}])
    assert (got["log_ratio"].item(), got["censoring"].item(), got["source"].item()) == (0.0, -1, "failed")


def test_pass_without_a_value_is_right_censored_at_the_limit():
    got = read([{"sensor_id": "a"}], [{"time": "2023-01-01", "outcome": "pass"}])
    assert (got["log_ratio"].item(), got["censoring"].item(), got["source"].item()) == (0.0, 1, "passed")


@pytest.mark.parametrize("kind, outcome", [("bump", "pass"), ("zero", "pass"), ("span", "aborted"), ("span", "")])
def test_what_is_no_adjustment_or_has_no_outcome_passes_nothing(kind, outcome):
    assert read([{"sensor_id": "a"}], [{"time": "2023-01-01", "kind": kind, "outcome": outcome}]).empty


def test_failed_bump_without_a_value_says_nothing_about_span():
    assert read([{"sensor_id": "a"}], [{"time": "2023-01-01", "kind": "bump", "outcome": "fail"}]).empty


def test_gain_clipped_at_its_limit_is_left_censored_only_when_it_failed():
    rows = [
        {"time": "2023-01-01", "outcome": "fail", "span_gain": 3.0},
        {"time": "2023-02-01", "outcome": "pass", "span_gain": 3.0},
    ]
    got = read([{"sensor_id": "a"}], rows)
    assert got["censoring"].tolist() == [-1, 0]
    assert got["log_ratio"].tolist() == [0.0, 0.0]


def test_headroom_at_the_display_limit_is_right_censored():
    rows = [{"time": f"2023-0{k}-01", "headroom": v} for k, v in ((1, 200.0), (2, 200.0), (3, 199.0))]
    got = read([{"sensor_id": "a", "display_limit": 200.0}], rows)
    assert got["censoring"].tolist() == [1, 1, 0]


def test_top_value_repeated_over_sensors_is_a_display_limit():
    sensors = [{"sensor_id": s} for s in "abcd"]
    rows = [{"sensor_id": s, "time": f"2023-0{k}-01", "headroom": 250.0} for s in "abcd" for k in (1, 2)]
    rows += [{"sensor_id": s, "time": "2023-03-01", "headroom": 240.0 + k} for k, s in enumerate("abcd")]
    got = read(sensors, rows)
    assert (got["censoring"] == (got["log_ratio"] == np.log(2.5))).all()


def test_one_sensor_repeating_its_top_value_is_not_a_display_limit():
    rows = [{"time": f"2023-0{k}-01", "headroom": 250.0} for k in range(1, 9)]
    assert (read([{"sensor_id": "a"}], rows)["censoring"] == 0).all()


def test_blank_concentration_is_read_from_the_label():
    rows = [{"time": "2023-01-01", "headroom": 75.0, "applied": np.nan, "cylinder_id": "C1"}]
    got = read([{"sensor_id": "a"}], rows, [{"cylinder_id": "C1", "concentration": 50.0}])
    assert got["log_ratio"].item() == pytest.approx(np.log(1.5))


def test_days_on_the_cylinder_count_from_opening_or_earlier_first_use():
    uses = (("2023-01-11", "C1"), ("2023-01-21", "C2"), ("2023-02-20", "C2"), ("2023-03-01", ""))
    rows = [{"time": time, "headroom": 150.0, "cylinder_id": cylinder} for time, cylinder in uses]
    got = read([{"sensor_id": "a"}], rows, [{"cylinder_id": "C1", "opened": "2023-01-01"}])
    np.testing.assert_array_equal(got["cylinder_days"], [10.0, 0.0, 30.0, np.nan])


def test_a_session_is_one_site_day_and_technician_and_its_visits_are_numbered():
    sensors = [{"sensor_id": s} for s in "abc"]
    rows = [
        {"sensor_id": "a", "time": "2023-01-01 09:00", "headroom": 150.0},
        {"sensor_id": "b", "time": "2023-01-01 09:00", "headroom": 150.0},
        {"sensor_id": "c", "time": "2023-01-01 10:00", "headroom": 150.0},
        {"sensor_id": "c", "time": "2023-01-02 10:00", "headroom": 150.0},
    ]
    got = read(sensors, rows)
    assert got["session"].tolist() == ["north 2023-01-01 t1"] * 3 + ["north 2023-01-02 t1"]
    assert got["order_in_session"].tolist() == [1, 1, 2, 1]


def test_neither_site_nor_technician_leaves_the_session_empty():
    got = read([{"sensor_id": "a", "site": ""}], [{"time": "2023-01-01", "headroom": 150.0, "technician": ""}])
    assert got["session"].item() == ""


def test_readings_fall_in_the_life_that_a_swap_started():
    rows = [{"time": t, "headroom": 150.0} for t in ("2022-06-01", "2023-06-01", "2024-06-01")]
    splits = pd.DataFrame({"sensor_id": ["a"], "time": [pd.Timestamp("2023-06-01")]})
    got = read([{"sensor_id": "a"}, {"sensor_id": "b"}], rows, splits=splits)
    assert got["life_id"].tolist() == ["a", "a/2", "a/2"]
    assert got["age_years"].iloc[1] == 0.0


def test_a_calibration_of_an_unknown_sensor_is_left_out():
    assert read([{"sensor_id": "z"}], [{"time": "2023-01-01", "headroom": 150.0}]).empty


def test_no_calibrations_give_an_empty_table_with_all_columns():
    full = read([{"sensor_id": "a"}], [{"time": "2023-01-01", "headroom": 150.0}])
    empty = read([{"sensor_id": "a"}], [])
    assert empty.empty and list(empty.columns) == list(full.columns)
