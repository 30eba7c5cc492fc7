"""Lives: installation, observation, end."""

from __future__ import annotations

import pandas as pd
import pytest

from sensorhealth import health

from .fleets import tables


@pytest.mark.parametrize(
    ("reason", "kind"),
    [("worn", "soft"), ("sudden", "sudden"), ("poisoned", "sudden"), ("damaged", "sudden"),
     ("precaution", "censored"), ("lost", "censored"), ("other", "censored"), ("", "censored")],
)  # fmt: skip
def test_reason_of_removal_gives_the_kind_of_end(reason, kind):
    got = health.lives(tables([{"sensor_id": "a", "removed": "2023-05-01", "removal_reason": reason}], []))
    assert got["end_kind"].item() == kind
    assert got["ended"].item() == pd.Timestamp("2023-05-01")


def test_every_sensor_has_a_life_even_without_a_calibration():
    got = health.lives(tables([{"sensor_id": s} for s in "cab"], []))
    assert got["life_id"].tolist() == ["a", "b", "c"]
    assert got["current"].all() and got["ended"].isna().all() and (got["end_kind"] == "").all()


def test_a_sensor_older_than_the_records_enters_when_they_start():
    fleet = tables(
        [{"sensor_id": "a", "installed": "2019-01-01"}, {"sensor_id": "b", "installed": "2022-06-01"}],
        [{"sensor_id": "b", "time": "2022-07-01"}, {"sensor_id": "a", "time": "2022-03-01"}],
    )
    assert health.lives(fleet)["entered"].tolist() == [pd.Timestamp("2022-03-01"), pd.Timestamp("2022-06-01")]


def test_last_test_is_on_gas_and_last_alive_was_passed():
    fleet = tables(
        [{"sensor_id": "a"}],
        [
            {"time": "2023-01-01", "headroom": 150.0},
            {"time": "2023-02-01", "outcome": "fail"},
            {"time": "2023-03-01", "kind": "zero"},
            {"time": "2023-04-01", "outcome": "aborted"},
        ],
    )
    got = health.lives(fleet).iloc[0]
    assert got["last_test"] == pd.Timestamp("2023-02-01")
    assert got["last_alive"] == pd.Timestamp("2023-01-01")


def test_an_unrecorded_swap_ends_one_life_and_starts_another():
    fleet = tables(
        [{"sensor_id": "a", "removed": "2024-01-01", "removal_reason": "worn"}, {"sensor_id": "b"}],
        [{"time": t, "headroom": 150.0} for t in ("2022-03-01", "2023-01-10", "2023-06-01")],
    )
    splits = pd.DataFrame({"sensor_id": ["a", "gone"], "time": pd.to_datetime(["2023-01-10", "2023-01-10"])})
    got = health.lives(fleet, splits)
    assert got["life_id"].tolist() == ["a", "a/2", "b"]
    assert got["end_kind"].tolist() == ["censored", "soft", ""]
    assert got["current"].tolist() == [False, True, True]
    assert got["installed"].iloc[1] == got["ended"].iloc[0] == pd.Timestamp("2023-01-10")
    assert got["lot"].tolist() == ["L1", "", "L1"]
    assert got["last_alive"].tolist()[:2] == [pd.Timestamp("2022-03-01"), pd.Timestamp("2023-06-01")]


def test_a_swap_outside_the_life_is_not_believed():
    fleet = tables([{"sensor_id": "a", "removed": "2023-01-01", "removal_reason": "worn"}], [])
    splits = pd.DataFrame({"sensor_id": ["a", "a"], "time": pd.to_datetime(["2021-01-01", "2023-06-01"])})
    assert len(health.lives(fleet, splits)) == 1


@pytest.mark.parametrize(("outcome", "kind"), [("fail", "soft"), ("pass", "censored"), ("aborted", "censored")])
def test_what_was_swapped_without_a_record_ended_by_itself_if_it_had_failed(outcome, kind):
    rows = [{"time": "2022-03-01"}, {"time": "2023-01-01", "outcome": outcome}, {"time": "2023-01-10"}]
    fleet = tables([{"sensor_id": "a"}], [{"headroom": 150.0} | row for row in rows])
    splits = pd.DataFrame({"sensor_id": ["a"], "time": pd.to_datetime(["2023-01-10"])})
    assert health.lives(fleet, splits)["end_kind"].tolist() == [kind, ""]
