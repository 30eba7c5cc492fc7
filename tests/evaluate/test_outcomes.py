"""What happened is taken from the records as fairly as they allow: between tests, blurred by noise, cut by swaps."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth.evaluate.outcomes import Ends, already_over, ends, next_readings, reading_blur
from sensorhealth.life.worn import told_by_readings

AS_OF, END = pd.Timestamp("2024-01-01"), pd.Timestamp("2025-01-01")


def lives() -> pd.DataFrame:
    day = pd.Timedelta(days=1)
    table = pd.DataFrame(
        {
            "life_id": ["runs", "worn", "dead", "lost", "swap", "swap/2", "worn late"],
            "sensor_id": ["runs", "worn", "dead", "lost", "swap", "swap", "worn late"],
            "technology": "electrochemical",
            "stratum": "electrochemical CO",
            "lot": "",
            "entered": AS_OF - 500 * day,
            "installed": AS_OF - 500 * day,
            "last_alive": [AS_OF + d * day for d in (300, 100, 50, 80, 20, 330, -30)],
            "last_test": [AS_OF + d * day for d in (300, 200, 50, 80, 20, 330, 90)],
            "ended": [pd.NaT, *(AS_OF + d * day for d in (210, 60, 85, 40)), pd.NaT, AS_OF + 95 * day],
            "end_kind": ["", "soft", "sudden", "censored", "censored", "", "soft"],
            "current": [True, True, True, True, False, True, True],
        }
    )
    table.loc[5, "installed"] = AS_OF + 40 * day
    return table


def said() -> pd.DataFrame:
    """Readings: the worn were above the limit at 90 days and before the as-of date; the dead passed a bump test later."""
    last_good = {"runs": 280, "worn": 90, "dead": 30, "lost": 80, "swap": 20, "worn late": -30}
    first_low = {"worn": 200, "dead": 55}
    day = pd.Timedelta(days=1)
    table = pd.DataFrame({"last_good": {name: AS_OF + days * day for name, days in last_good.items()}})
    table["first_low"] = pd.Series({name: AS_OF + days * day for name, days in first_low.items()})
    table["lows"] = pd.Series(dict.fromkeys(first_low, 1)).reindex(table.index).fillna(0).astype(int)
    return table.assign(misread=False)


@pytest.fixture
def truth() -> Ends:
    table = lives()
    asked = table.iloc[[0, 1, 2, 3, 4, 6]].reset_index(drop=True)
    return ends(table, asked, AS_OF, END, said(), {"electrochemical CO": 25.0})


def test_ends_lie_between_the_tests_around_them(truth: Ends) -> None:
    assert truth.ended.tolist() == [False, True, True, False, False, True]
    assert truth.lower.tolist() == [280, 90, 50, 80, 20, 0]  # good before the as-of date: from that date on
    assert truth.upper[[1, 2, 5]].tolist() == [200, 60, 90]
    assert truth.running.tolist() == [True, False, False, False, False, False]


def test_only_what_a_reading_judged_is_blurred(truth: Ends) -> None:
    assert truth.blur.tolist() == [25, 25, 0, 25, 25, 25]


def test_outcomes_are_judged_when_the_sensor_was_looked_at(truth: Ends) -> None:
    when, happened = truth.seen_about(120.0)
    assert when.tolist() == [120, 90, 120, 120, 120, 120]
    assert happened.tolist() == [False, False, True, False, False, True]
    when, happened = truth.seen_about(180.0)
    assert (when[1], happened[1]) == (200, True)


def test_a_sensor_left_in_service_below_its_limit_has_ended() -> None:
    table, day = lives(), pd.Timedelta(days=1)
    asked = table.iloc[[0]].reset_index(drop=True)
    low = said()
    low.loc["runs", ["first_low", "lows"]] = [AS_OF + 290 * day, 1]
    assert not ends(table, asked, AS_OF, END, low).ended[0]  # one low reading may be a loose cap
    low.loc["runs", "lows"] = 2
    found = ends(table, asked, AS_OF, END, low)
    assert (found.ended[0], found.lower[0], found.upper[0], found.running[0]) == (True, 280, 290, False)
    low.loc["runs", "lows"] = 1
    alone = asked.assign(ended=pd.NaT, end_kind="")
    assert ends(alone, alone, AS_OF, END, low).ended[0]  # records without removals: nobody would have repeated it


def test_an_end_before_the_date_that_is_only_confirmed_after_it_came_at_once() -> None:
    table, day = lives(), pd.Timedelta(days=1)
    asked = table.iloc[[0]].reset_index(drop=True)
    low = said()
    low.loc["runs", ["last_good", "first_low", "lows"]] = [AS_OF - 90 * day, AS_OF - 10 * day, 2]
    found = ends(table, asked, AS_OF, END, low)
    assert found.ended[0] and found.lower[0] == 0.0 and found.upper[0] < 1.0 and not found.running[0]


def test_a_sensor_low_twice_by_the_date_is_over_already() -> None:
    table = lives()
    asked = table.iloc[[0, 1]].reset_index(drop=True)
    frame = pd.DataFrame(
        {
            "life_id": ["runs", "runs", "runs", "worn", "worn"],
            "time": [AS_OF - pd.Timedelta(days=d) for d in (90, 60, 30, 60, 30)],
            "log_ratio": [0.2, -0.1, -0.2, 0.1, -0.1],
            "censoring": 0,
        }
    )
    assert already_over(frame, table, asked, 0.0).tolist() == [True, False]  # once may be a loose cap
    assert already_over(frame, table.assign(ended=pd.NaT), asked, 0.0).tolist() == [True, True]  # nobody would repeat it
    assert not already_over(frame, table, asked.assign(technology="galvanic oxygen"), 0.0).any()


def test_verdicts_are_the_last_good_reading_and_the_low_ones_after_it() -> None:
    day = pd.Timedelta(days=1)
    table = pd.DataFrame(
        {
            "life_id": ["a"] * 5 + ["b"] * 2 + ["c"],
            "time": [AS_OF + k * day for k in (1, 2, 3, 4, 5, 1, 2, 1)],
            "log_ratio": [0.2, -0.1, 0.1, -0.05, 0.0, 0.3, 0.2, -0.2],
            "censoring": [0, 0, 0, 0, -1, 0, 1, 0],
        }
    )
    found = told_by_readings(table, 0.0)
    assert found.loc["a"].tolist() == [AS_OF + 3 * day, AS_OF + 4 * day, 2, False]
    assert found.loc["b", "last_good"] == AS_OF + 2 * day
    assert pd.isna(found.loc["b", "first_low"])
    assert pd.isna(found.loc["c", "last_good"]) and found.loc["c", "lows"] == 1
    assert told_by_readings(table, limit=0.25).loc["b", "lows"] == 0, "0.2 or more is not known to be below 0.25"


def test_a_sensor_that_only_weak_gas_made_read_low_has_not_ended() -> None:
    """Removed as worn after one reading of .9 times the limit on gas of .8 times its label: .9 / .8 of the limit in truth."""
    table, day = lives(), pd.Timedelta(days=1)
    asked = table.iloc[[1, 6]].reset_index(drop=True)
    read = pd.DataFrame(
        {
            "life_id": ["worn", "worn", "worn late", "worn late"],
            "time": [AS_OF + d * day for d in (90, 200, -30, 90)],
            "log_ratio": np.log([1.2, 0.9, 1.2, 0.9]),
            "censoring": 0,
        }
    )
    as_read = ends(table, asked, AS_OF, END, told_by_readings(read, 0.0))
    assert as_read.ended.tolist() == [True, True]
    net = told_by_readings(read, 0.0, gas=np.array([0.0, np.log(0.8), 0.0, 0.0]))
    assert net["misread"].to_dict() == {"worn": True, "worn late": False}
    found = ends(table, asked, AS_OF, END, net)
    assert found.ended.tolist() == [False, True]
    assert found.lower[0] == 200 and not found.running[0], "good at the test that it failed, and lost at its removal"


def readings(noise: float) -> pd.DataFrame:
    rng = np.random.default_rng(1)
    rows = []
    for name in ("runs", "worn", "dead", "lost", "swap", "swap/2"):
        for k in range(12):
            time = AS_OF + pd.Timedelta(days=60.0 * (k - 5))
            y = 0.3 - 0.2 * k / 6 + noise * rng.standard_normal()
            rows.append((name, name.split("/")[0], time, 0.5 + k / 6, y, 0))
    frame = pd.DataFrame(rows, columns=["life_id", "sensor_id", "time", "age_years", "log_ratio", "censoring"])
    return frame[~((frame["life_id"] == "swap") & (frame["time"] > AS_OF + pd.Timedelta(days=40)))]


def test_the_next_reading_is_the_first_of_the_same_life() -> None:
    table = lives()
    asked = table.iloc[[1, 4]].reset_index(drop=True)
    frame = readings(0.0)
    frame = frame[(frame["life_id"] != "swap/2") | (frame["time"] > AS_OF + pd.Timedelta(days=40))]
    found = next_readings(frame, table, asked, AS_OF, 365.0)
    assert found.life.tolist() == [0]  # after the swap it is another sensor
    assert found.days == pytest.approx([60.0])
    assert next_readings(frame, table, asked, AS_OF, 30.0).life.size == 0
    assert found.shared.tolist() == ["2024-03-01"]  # nothing else on record that readings have in common
    on = next_readings(frame.assign(cylinder="C1", session="north"), table, asked, AS_OF, 365.0)
    assert on.shared.tolist() == ["C1"]


def test_the_blur_is_the_noise_over_the_rate() -> None:
    table = lives()
    blur = reading_blur(readings(0.02), table)["electrochemical CO"]
    assert 0.4 * 36.5 < blur < 1.6 * 36.5  # 0.02 at 0.2 a year is a tenth of a year
    assert reading_blur(readings(0.5), table)["electrochemical CO"] == 183.0
