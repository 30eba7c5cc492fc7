"""Sensors that ended between two readings: what ended them is told apart by what their records hold beside the fall."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth import health

from .fleets import tables
from .paths import Paths, paths

KIND_OF_END = {"worn": "soft", "poisoned": "sudden", "sudden": "sudden", "precaution": "censored"}
SENSOR = "s003"


def fallen(size: float, reason: str, *, attempts: int = 1, value: bool = True, repeats: bool = True, **lives) -> Paths:
    """A quiet fleet of which one sensor fell by `size` at its last visit and was taken out.

    attempts: readings at that visit; value: False where they left none; repeats: another sensor's failed test, repeated on
    the day, stands in the records; lives: other columns for all.
    """
    fleet = paths(np.random.default_rng(6), 60)
    table = fleet.readings.copy()
    last = table.index[table["sensor_id"] == SENSOR][-1]
    table.loc[last, "log_ratio"] += size
    if not value:
        table.loc[last, ["log_ratio", "censoring"]] = [0.0, -1]
    rows = [table.loc[[last]].assign(time=table.loc[last, "time"] + pd.Timedelta(minutes=9 * k)) for k in range(attempts)]
    if repeats:
        other = table.index[table["sensor_id"] == "s020"][4]
        rows.append(table.loc[[other]].assign(time=table.loc[other, "time"] + pd.Timedelta(minutes=9)))
        table.loc[other, "log_ratio"] = -0.1
    table = pd.concat([table.drop(index=last), *rows]).sort_values(["sensor_id", "time"], ignore_index=True)
    table["row"] = np.arange(1, len(table) + 1)
    mine = fleet.lives["sensor_id"] == SENSOR
    ended = {"end_kind": np.where(mine, KIND_OF_END[reason], ""), "removal_reason": np.where(mine, reason, "")}
    return Paths(table, fleet.lives.assign(**ended, **lives), fleet.truth)


def found(fleet: Paths) -> health.Oddities:
    return health.find_oddities(fleet.readings, fleet.lives)


def how(odd: health.Oddities) -> dict[str, str]:
    return odd.ends.set_index("sensor_id")["how"].to_dict()


def own(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[frame["sensor_id"] == SENSOR]


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        ({"reason": "worn", "attempts": 2}, "step"),
        ({"reason": "worn", "attempts": 1}, "one reading"),
        ({"reason": "worn", "attempts": 1, "repeats": False}, "step"),
        ({"reason": "poisoned", "attempts": 1}, "step"),
        ({"reason": "poisoned", "value": False}, "step"),
        ({"reason": "worn", "attempts": 2, "value": False}, "step"),
        ({"reason": "sudden", "value": False}, "died"),
        ({"reason": "sudden", "technology": "galvanic oxygen"}, "ran out"),
    ],
    ids=str,
)
def test_what_ended_a_sensor_is_told_by_repeats_reason_and_values(case: dict, expected: str) -> None:
    odd = found(fallen(-0.9, **case))
    assert how(odd)[SENSOR] == expected
    assert own(odd.single_readings).empty
    assert len(own(odd.steps)) == (expected == "step")


def test_a_step_that_ended_its_sensor_has_its_two_dates_and_its_size_and_stands_in_the_findings_once() -> None:
    fleet = fallen(-0.9, "worn", attempts=2)
    odd = found(fleet)
    step = own(odd.steps).iloc[0]
    before, after = own(fleet.readings)["time"].iloc[[-3, -2]]
    assert step["kind"] == "down" and bool(step["ended"])
    assert (step["earliest"], step["latest"]) == (before, after)
    assert abs(step["size"] + 0.9) < 3 * step["std_error"]
    told = own(odd.findings)
    assert told["finding"].tolist() == ["step down"]
    assert "ended between two readings" in told["reason"].item()
    assert step.name not in odd.path_steps.index


def test_a_removal_after_one_low_reading_that_was_not_repeated_says_that_nothing_can_tell() -> None:
    told = own(found(fallen(-0.9, "worn")).findings)
    assert told["finding"].tolist() == ["ended between two readings"]
    assert "a step down or a leak" in told["reason"].item() and "before a sensor is scrapped" in told["reason"].item()


def test_other_sensors_of_the_instrument_confirm_a_step_or_point_at_the_bench() -> None:
    fleet = fallen(-0.9, "worn", instrument_id="I1")
    last = own(fleet.readings).iloc[-1]
    mates = fleet.readings.index[fleet.readings["sensor_id"].isin(["s010", "s011"])]
    nearest = (
        fleet.readings.loc[mates].groupby("sensor_id")["age_years"].apply(lambda age: (age - last["age_years"]).abs().idxmin())
    )
    table = fleet.readings.copy()
    table.loc[nearest, "time"] = last["time"]
    assert how(found(Paths(table, fleet.lives, fleet.truth)))[SENSOR] == "step"
    table.loc[nearest, "log_ratio"] -= 0.9
    odd = found(Paths(table, fleet.lives, fleet.truth))
    assert SENSOR not in how(odd)
    assert "test it again before it is scrapped" in own(odd.single_readings)["advice"].item()


def test_a_small_last_fall_of_a_worn_sensor_is_wear() -> None:
    fleet = fallen(0.0, "worn", attempts=2)
    mine = fleet.readings["sensor_id"] == SENSOR
    spent = fleet.readings["log_ratio"] - np.where(mine, own(fleet.readings)["log_ratio"].iloc[-3] - 0.03, 0.0)
    tail = mine & (fleet.readings["time"] >= own(fleet.readings)["time"].iloc[-2])
    odd = found(Paths(fleet.readings.assign(log_ratio=spent - 0.12 * tail), fleet.lives, fleet.truth))
    assert SENSOR not in how(odd) and own(odd.steps).empty and own(odd.single_readings).empty


def test_a_collapse_and_a_new_sensor_that_reads_as_the_old_one_did_is_an_unrecorded_swap() -> None:
    rng = np.random.default_rng(8)
    fleet = paths(rng, 40, wander=0.0)
    mine = fleet.readings["sensor_id"] == SENSOR
    flat = 0.5 + 0.01 * rng.standard_normal(len(fleet.readings))
    place = np.arange(mine.sum())
    middle = mine.sum() // 2
    flat[mine] += np.select([place == middle, place == middle + 1], [-0.25, -0.9], 0.0)
    lives = fleet.lives.assign(technology="galvanic oxygen", removal_reason="")
    odd = found(Paths(fleet.readings.assign(log_ratio=flat), lives, fleet.truth))
    swap = odd.swaps.set_index("sensor_id").loc[SENSOR]
    assert swap["time"] == own(fleet.readings)["time"].iloc[middle + 2]
    assert how(odd) == {SENSOR: "ran out"} and odd.single_readings.empty


def test_a_life_that_ended_by_a_step_ended_at_once_and_did_not_wear_out() -> None:
    fleet = tables(
        [{"sensor_id": "a", "removed": "2024-01-01", "removal_reason": "worn"},
         {"sensor_id": "b", "removed": "2024-01-01", "removal_reason": "worn"}],
        [{"sensor_id": "a", "time": "2023-01-01"}],
    )  # fmt: skip
    ends = pd.DataFrame({"life_id": ["a", "b"], "how": ["step", "one reading"]})
    lives = health.lives(fleet, ends=ends).set_index("life_id")
    assert lives["end_kind"].to_dict() == {"a": "sudden", "b": "soft"}
    assert (lives["removal_reason"] == "worn").all()


def test_falls_by_which_nearly_all_sensors_of_a_kind_end_are_how_it_wears() -> None:
    fleet = fallen(-0.45, "worn", attempts=2)
    table, lives = fleet.readings.copy(), fleet.lives.copy()
    others = [f"s{k:03d}" for k in range(4, 12)]
    last = table[table["sensor_id"].isin(others)].groupby("sensor_id").tail(1).index
    table.loc[last, "log_ratio"] -= 0.45
    again = table.loc[last].assign(time=table.loc[last, "time"] + pd.Timedelta(minutes=9))
    table = pd.concat([table, again]).sort_values(["sensor_id", "time"], ignore_index=True)
    table["row"] = np.arange(1, len(table) + 1)
    lives.loc[lives["sensor_id"].isin(others), ["end_kind", "removal_reason"]] = ["soft", "worn"]
    assert how(found(fleet)) == {SENSOR: "step"}
    assert not how(found(Paths(table, lives, fleet.truth)))
