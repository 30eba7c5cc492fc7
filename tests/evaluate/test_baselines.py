"""Baselines forecast what their names say, from the past they are given and nothing else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth.evaluate.baselines import CalendarAge, GroupMeanAtAge, History, LastValue, LotSlope, OwnLine, baselines

AS_OF = pd.Timestamp("2025-01-01")
DAYS = np.arange(0.0, 3000.0, 30.0)


def frames(paths: dict[str, list[tuple[float, float]]], lot: str = "A") -> tuple[pd.DataFrame, pd.DataFrame]:
    """Readings and lives of sensors of one kind; each path is a list of (age in years, ln headroom ratio)."""
    oldest = 3.0
    installed = AS_OF - pd.Timedelta(days=365.25 * oldest)
    lives = pd.DataFrame(
        {
            "life_id": list(paths),
            "sensor_id": list(paths),
            "technology": "electrochemical",
            "stratum": "electrochemical CO",
            "lot": lot,
            "installed": installed,
            "entered": installed,
            "last_test": AS_OF,
            "last_alive": AS_OF,
            "ended": pd.NaT,
            "end_kind": "",
        }
    )
    rows = [(name, age, y) for name, path in paths.items() for age, y in path]
    return pd.DataFrame(rows, columns=["life_id", "age_years", "log_ratio"]).assign(censoring=0), lives


def straight(slope: float, level: float, ages: list[float], wiggle: float = 0.0) -> list[tuple[float, float]]:
    return [(age, level + slope * age + wiggle * (-1) ** k) for k, age in enumerate(ages)]


@pytest.fixture
def history() -> History:
    ages = [0.5, 1.0, 1.5, 2.0, 2.5]
    paths = {f"s{k}": straight(-0.1 - 0.02 * k, 0.6, ages, 0.004) for k in range(6)}
    paths["few"] = [(1.0, 0.5)]
    paths["none"] = []
    readings, lives = frames(paths)
    return History.of(readings, lives, np.full(len(lives), 3.0))


def test_last_value_repeats_it(history: History) -> None:
    mean, sd = LastValue(history).reading(np.array([0, 6]), np.array([3.0, 3.0]))
    assert mean == pytest.approx([0.6 - 0.25 + 0.004, 0.5])
    assert (sd > 0.02).all()  # changes of 0.05 to 0.1 in half a year were its errors so far


def test_the_lots_slope_carries_a_sensor_with_one_reading(history: History) -> None:
    mean, _ = LotSlope(history).reading(np.array([6]), np.array([2.0]))
    assert mean == pytest.approx([0.5 - 0.15], abs=0.005)


def test_a_line_of_its_own_is_least_squares(history: History) -> None:
    line = OwnLine(history)
    mean, sd = line.reading(np.array([2]), np.array([3.5]))
    ages, y = history.age[history.life == 2], history.y[history.life == 2]
    slope, level = np.polyfit(ages, y, 1)
    assert mean == pytest.approx([level + slope * 3.5])
    fallback = LotSlope(history).reading(np.array([6]), np.array([2.0]))
    assert line.reading(np.array([6]), np.array([2.0]))[0] == pytest.approx(fallback[0])
    assert sd[0] < 0.03


def test_ends_follow_the_line(history: History) -> None:
    cdf = OwnLine(history).end_cdf(DAYS)
    median = np.array([np.interp(0.5, row, DAYS) for row in cdf[:6]])
    slope = -0.1 - 0.02 * np.arange(6)
    assert median == pytest.approx((0.6 / -slope - 3.0) * 365.25, rel=0.05, abs=15.0)
    assert (np.diff(cdf, axis=1) >= -1e-12).all()


def test_group_mean_at_age_is_the_mean_of_the_lot_then(history: History) -> None:
    mean, sd = GroupMeanAtAge(history).reading(np.array([7]), np.array([1.5]))
    assert mean == pytest.approx([0.6 - 0.15 * 1.5], abs=0.03)
    assert sd[0] > 0.03


def test_small_lots_are_judged_with_their_kind() -> None:
    readings, lives = frames({f"s{k}": straight(-0.1, 0.6, [0.5, 1.0, 2.0]) for k in range(6)})
    lives["lot"] = ["A"] * 5 + ["B"]
    history = History.of(readings, lives, np.full(6, 3.0))
    assert len(set(history.group[:5])) == 1
    assert history.group[5] != history.group[0]
    lives.loc[5, "lot"] = "A"
    assert len(set(History.of(readings, lives, np.full(6, 3.0)).group)) == 1


def test_calendar_age_learns_from_ages_at_any_end() -> None:
    _, lives = frames({f"s{k}": [] for k in range(60)})
    ended = AS_OF - pd.to_timedelta(np.linspace(0, 300, 40).round(), unit="D")
    lives.loc[:39, "ended"] = ended
    lives.loc[:39, "last_test"] = ended - pd.Timedelta(days=30)
    lives.loc[:39, "last_alive"] = ended - pd.Timedelta(days=30)
    lives.loc[:39, "end_kind"] = ["soft", "sudden"] * 20
    running = lives.iloc[40:].reset_index(drop=True)
    cdf = CalendarAge(lives, running, AS_OF).end_cdf(DAYS)
    assert np.interp(365.0, DAYS, cdf[0]) > 0.5  # at three years of age when others ended between two and three


def test_without_any_reading_there_is_still_a_forecast() -> None:
    readings, lives = frames({"a": [], "b": []})
    for one in baselines(readings.astype({"age_years": float, "log_ratio": float}), lives, lives, AS_OF, np.full(2, 3.0)):
        told, cdf = one.reading(np.array([0, 1]), np.array([3.1, 3.2])), one.end_cdf(DAYS)
        assert told is not None or cdf is not None or one.name == "group mean at age"
        assert told is None or np.isfinite(told[0]).all()
        assert cdf is None or np.isfinite(cdf).all()


def test_a_pass_without_a_value_is_no_last_value() -> None:
    readings, lives = frames({f"s{k}": [*straight(-0.1, 0.6, [0.5, 1.0, 1.5, 2.0]), (2.5, 0.0)] for k in range(6)})
    readings["censoring"] = (readings["age_years"] == 2.5).astype(int)
    last = next(one for one in baselines(readings, lives, lives, AS_OF, np.full(6, 3.0)) if isinstance(one, LastValue))
    told = last.reading(np.arange(6), np.full(6, 3.0))
    assert told is not None and told[0] == pytest.approx(np.full(6, 0.4))


def test_every_baseline_has_a_name_of_its_own(history: History) -> None:
    names = {one.name for one in (LastValue(history), OwnLine(history), LotSlope(history), GroupMeanAtAge(history))}
    assert len(names | {CalendarAge.name}) == 5
