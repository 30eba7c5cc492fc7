"""The track record tells good forecasts from bad ones, leaks nothing of the future, and says when it cannot tell."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from sensorhealth.errors import RecordsError
from sensorhealth.evaluate import TrackRecord, track_record
from sensorhealth.evaluate.past import CORRECTED, MODEL, past_dates
from sensorhealth.evaluate.wording import NARROWEST, learnt
from sensorhealth.nomenclature import columns
from sensorhealth.records import Fleet

DATES = ["2023-06-30", "2024-01-15", "2024-06-30"]


@pytest.fixture(scope="module")
def fleet(fleet_of: Any) -> Fleet:
    return fleet_of(500, 1)


@pytest.fixture(scope="module")
def right(fleet: Fleet, knows_the_law: Any) -> TrackRecord:
    return track_record(fleet, as_of_dates=DATES, refit=knows_the_law())


@pytest.fixture(scope="module")
def narrow(fleet: Fleet, knows_the_law: Any) -> TrackRecord:
    return track_record(fleet, as_of_dates=DATES, refit=knows_the_law(spread=0.3))


def held(record: TrackRecord, level: int, what: str = "") -> float:
    name = (
        f"next reading: coverage of the {level} % interval" if what else f"coverage of the {level} % interval of remaining life"
    )
    return record.value(name)


def test_right_forecasts_are_found_right(right: TrackRecord) -> None:
    assert right.value("ended lives") > 150
    for level, allowed in ((50, 0.1), (80, 0.08), (90, 0.05)):
        assert abs(held(right, level) - level / 100) < allowed
        assert abs(held(right, level, "reading") - level / 100) < 0.04
    assert abs(right.value("share of lives ending before the median") - 0.5) < 0.08


def test_ends_come_as_often_as_expected(right: TrackRecord) -> None:
    for days in (90, 180, 365):
        expected = right.value("ends expected", horizon_days=days)
        came = right.value("ends that came", horizon_days=days)
        assert abs(came - expected) < 3.5 * np.sqrt(expected)


def test_narrow_forecasts_are_found_narrow(narrow: TrackRecord, right: TrackRecord) -> None:
    assert held(narrow, 90) < 0.75
    assert held(narrow, 90) < held(right, 90) - 0.1
    assert narrow.value("Brier score", horizon_days=365) > right.value("Brier score", horizon_days=365)


def test_late_forecasts_are_found_late(fleet: Fleet, knows_the_law: Any) -> None:
    late = track_record(fleet, as_of_dates=DATES[1:2], refit=knows_the_law(shift=0.1))
    assert late.value("share of lives ending before the median") > 0.75
    assert "too hopeful" in late.sentence


def test_the_model_beats_every_baseline_where_it_is_right(right: TrackRecord) -> None:
    overall = right.table[right.table["as_of"].isna()]
    for measure in (
        "next reading: mean absolute error (ln ratio)",
        "next reading: CRPS (ln ratio)",
        "CRPS of remaining life (days)",
    ):
        values = overall[overall["measure"] == measure].set_index("forecaster")["value"]
        assert values.idxmin() == MODEL, f"{measure}: {values.to_dict()}"
        assert len(values) >= 4


def test_a_correction_is_learnt_from_the_past_and_mends_the_forecasts(narrow: TrackRecord, right: TrackRecord) -> None:
    assert narrow.calibration.overall > 1.5
    assert "multiplied" in narrow.calibration.note
    assert not right.calibration.corrects or abs(np.log(right.calibration.overall)) < 0.3
    first = narrow.forecasts[narrow.forecasts["as_of"] == pd.Timestamp(DATES[0])].set_index("forecaster")
    same = (first.loc[name, "rul_days_p50"].to_numpy() for name in (MODEL, CORRECTED))
    np.testing.assert_array_equal(*same)  # nothing to learn from on the first date
    both = narrow.forecasts[narrow.forecasts["as_of"] == pd.Timestamp(DATES[2])]
    crps = both.groupby("forecaster")["crps_days"].mean()
    assert crps[CORRECTED] < crps[MODEL]


def test_near_readings_never_narrow_far_forecasts_by_much(right: TrackRecord) -> None:
    mine = right.readings[right.readings["forecaster"] == MODEL]
    wide = mine.assign(latent_sd=4.0 * mine["latent_sd"])
    taught = learnt([wide], None)
    assert taught.overall == NARROWEST
    assert "multiplied" in taught.note


def test_what_was_over_by_the_records_of_the_day_is_not_asked_about(fleet: Fleet, knows_the_law: Any) -> None:
    date = pd.Timestamp(DATES[1])
    early = fleet.sensors["removed"].between(date - pd.Timedelta(days=200), date)
    worn = fleet.sensors["sensor_id"][early & (fleet.sensors["removal_reason"] == "worn")]
    sensors = fleet.sensors.copy()
    sensors.loc[sensors["sensor_id"].isin(worn), ["removed", "removal_reason"]] = [pd.NaT, ""]
    failed = fleet.calibrations[fleet.calibrations["sensor_id"].isin(worn) & (fleet.calibrations["outcome"] == "fail")]
    again = failed.assign(time=failed["time"] + pd.Timedelta(days=1))
    left = replace(fleet, sensors=sensors, calibrations=pd.concat([fleet.calibrations, again], ignore_index=True))
    asked = set(track_record(left, as_of_dates=[date], refit=knows_the_law()).forecasts["sensor_id"])
    assert len(worn) > 10
    assert not asked & set(worn)


def perturbed(fleet: Fleet, after: pd.Timestamp) -> Fleet:
    """The same past, another future: later readings halved, later removals undone, later cylinders renamed."""
    calibrations, sensors = fleet.calibrations.copy(), fleet.sensors.copy()
    late = calibrations["time"] > after
    calibrations.loc[late, "headroom"] *= 0.5
    calibrations.loc[late, "outcome"] = "pass"
    gone = sensors["removed"] > after
    sensors.loc[gone, ["removed", "removal_reason"]] = [pd.NaT, ""]
    return replace(fleet, calibrations=calibrations, sensors=sensors)


def test_nothing_of_the_future_leaks(fleet: Fleet, right: TrackRecord, knows_the_law: Any) -> None:
    date = pd.Timestamp(DATES[1])
    moment = date + pd.Timedelta(days=1)
    other = track_record(perturbed(fleet, moment), as_of_dates=[date], refit=knows_the_law())
    told = [name for name in right.forecasts.columns if name.startswith(("rul_days", "p_end_"))]
    for name in sorted(set(right.forecasts["forecaster"]) - {CORRECTED}):
        rows = [
            frame.forecasts[(frame.forecasts["forecaster"] == name) & (frame.forecasts["as_of"] == date)]
            .set_index("sensor_id")
            .sort_index()
            for frame in (right, other)
        ]
        pd.testing.assert_frame_equal(rows[0][told], rows[1][told])
    assert not np.allclose(right.value("ends that came", horizon_days=365), other.value("ends that came", horizon_days=365))


def test_too_few_ended_lives_is_said_instead_of_a_coverage(fleet_of: Any, knows_the_law: Any) -> None:
    record = track_record(fleet_of(60, 3), as_of_dates=["2024-12-01"], refit=knows_the_law())
    assert np.isnan(held(record, 90))
    rows = record.table[record.table["measure"].str.startswith("coverage of")]
    assert rows["note"].str.contains("not enough ended lives").all()
    assert "too few" in record.sentence
    assert not np.isnan(held(record, 90, "reading"))


def test_the_tables_are_those_of_the_dictionary(right: TrackRecord) -> None:
    assert list(right.table.columns) == list(columns("track_record"))
    assert right.table["as_of"].isna().any() and right.table["as_of"].notna().any()
    assert {90, 180, 365} <= set(right.reliability["horizon_days"])
    assert right.sentence.startswith("Forecasts made six months ahead were right on average")


def test_reliability_follows_the_diagonal_when_forecasts_are_right(fleet_of: Any, knows_the_law: Any) -> None:
    # little noise, so that the verdict of a test is that of the true headroom
    record = track_record(fleet_of(500, 2, noise=0.005), as_of_dates=DATES, refit=knows_the_law(noise=0.005))
    mine = record.reliability[(record.reliability["forecaster"] == MODEL) & (record.reliability["count"] >= 20)]
    off = (mine["happened"] - mine["forecast"]).abs() / np.maximum(mine["std_error"], 0.02)
    assert len(mine) >= 6
    assert (off < 4.0).all()
    wrong = record.reliability[(record.reliability["forecaster"] == "calendar age") & (record.reliability["count"] >= 20)]
    assert ((wrong["happened"] - wrong["forecast"]).abs() / np.maximum(wrong["std_error"], 0.02)).max() > 4.0


def test_decisions_are_counted(right: TrackRecord) -> None:
    advised, in_time, early, missed = (
        right.value(name)
        for name in ("swaps advised", "swaps advised, ended in time", "swaps advised, lived a year longer", "ends missed")
    )
    assert advised >= in_time + early - 1e-9
    assert in_time > 5 * missed  # the risk asked for is 5 %
    assert right.value("ends missed", "calendar age") > missed or right.value("swaps advised", "calendar age") > advised


def test_default_dates_leave_a_past_to_learn_from(fleet: Fleet) -> None:
    dates = past_dates(fleet)
    first, last = fleet.calibrations["time"].min(), fleet.calibrations["time"].max()
    assert len(dates) == 4
    assert dates == sorted(dates)
    assert dates[0] - first > pd.Timedelta(days=365)
    assert last - dates[-1] >= pd.Timedelta(days=181)


def test_no_usable_date_is_one_clear_error(fleet: Fleet) -> None:
    def refuses(*_: object) -> Any:
        raise RecordsError("nothing to analyse")

    with pytest.raises(RecordsError, match=r"no past date leaves enough records.*nothing to analyse"):
        track_record(fleet, as_of_dates=DATES[:1], refit=refuses)
