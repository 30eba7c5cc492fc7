"""Times that cannot be: each is found, named, and dealt with as stated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from sensorhealth.records import Fleet

from .conftest import make_tables
from .telling import cell, found, only


def test_the_same_numbers_seconds_later_are_a_second_upload(tables) -> None:
    again = tables.calibrations.iloc[4].to_dict() | {"time": tables.calibrations["time"].iloc[4] + pd.Timedelta("30s")}
    assert only(tables.with_calibrations(again).fleet(), "near duplicate")["row"] == 121


def test_the_same_numbers_without_the_time_of_day_are_a_second_upload(tables) -> None:
    again = tables.calibrations.iloc[4].to_dict() | {"time": tables.calibrations["time"].iloc[4].normalize()}
    assert only(tables.with_calibrations(again).fleet(), "near duplicate")["done"] == "set aside"


def test_the_same_numbers_an_hour_apart_are_doubted_as_a_time_zone(tables) -> None:
    again = tables.calibrations.iloc[4].to_dict() | {"time": tables.calibrations["time"].iloc[4] + pd.Timedelta("1h")}
    assert only(tables.with_calibrations(again).fleet(), "time zone suspect")["done"] == "doubted"


def test_times_outside_service_are_set_aside(tables) -> None:
    spoilt = tables.changed("calibrations", 3, time=pd.Timestamp("2020-12-24")).changed(
        "sensors", 2, removed=pd.Timestamp("2021-06-15"), removal_reason="worn"
    )
    fleet = spoilt.fleet()
    assert found(fleet, "before installation")["row"].tolist() == [3]
    late = tables.calibrations[(tables.calibrations["sensor_id"] == "S002") & (tables.calibrations["time"] > "2021-06-16")]
    assert found(fleet, "after removal")["row"].tolist() == (late.index + 1).tolist()


def test_a_calibration_on_the_day_of_installation_or_removal_is_used(tables) -> None:
    day = tables.calibrations["time"].iloc[0]
    fleet = tables.changed(
        "sensors", 1, installed=day + pd.Timedelta("5h"), removed=tables.calibrations["time"].iloc[9].normalize()
    ).fleet()
    assert fleet.findings.empty


def test_a_reset_clock_is_named(tables) -> None:
    assert only(tables.changed("calibrations", 3, time=pd.Timestamp("1970-01-01 00:12")).fleet(), "clock reset")["row"] == 3


def test_a_time_years_after_everything_else_is_in_the_future(tables) -> None:
    assert only(tables.changed("calibrations", 3, time=pd.Timestamp("2031-04-02")).fleet(), "in the future")["row"] == 3


def test_day_and_month_swapped_outside_service_is_put_right(tables) -> None:
    row = int(tables.calibrations.index[tables.calibrations["time"].dt.strftime("%m-%d") == "04-02"][0]) + 1
    true = tables.calibrations["time"].iloc[row - 1]
    early = tables.changed(
        "sensors", int(tables.calibrations["sensor_id"].iloc[row - 1][1:]), installed=pd.Timestamp("2021-02-20")
    )
    early = early.changed("calibrations", row, time=true.replace(month=true.day, day=true.month))
    fleet = early.fleet()
    assert found(fleet, "day and month swapped")["row"].tolist() == [row]
    assert cell(fleet, row, "time") == true
    assert (found(early.fleet(corrections=False), "day and month swapped")["done"] == "set aside").all()


def test_day_and_month_swapped_between_ordered_neighbours_is_put_right(tables) -> None:
    place = int(np.flatnonzero(tables.calibrations["time"].dt.strftime("%m-%d") == "07-01")[0])
    true = tables.calibrations["time"].iloc[place]
    spoilt = tables.changed("calibrations", place + 1, time=true.replace(month=1, day=7))
    assert found(spoilt.fleet(), "day and month swapped")["row"].tolist() == [place + 1]
    assert cell(spoilt.fleet(), place + 1, "time") == true


def test_a_swapped_date_of_installation_is_put_right_by_the_calibrations(tables) -> None:
    spoilt = tables.changed("sensors", 1, installed=pd.Timestamp("2021-10-01"), manufactured=pd.NaT)  # was 10 January
    fleet = spoilt.fleet()
    finding = only(fleet, "day and month swapped")
    assert (finding["table"], finding["column"], finding["done"]) == ("sensors", "installed", "corrected")
    assert fleet.sensors["installed"].iloc[0] == pd.Timestamp("2021-01-10") and len(fleet.calibrations) == 120
    strict = spoilt.fleet(corrections=False)
    assert (
        found(strict, "day and month swapped")["done"].tolist() == ["doubted"] and len(found(strict, "before installation")) == 9
    )


def test_a_date_of_installation_that_no_swap_explains_is_doubted(tables) -> None:
    fleet = tables.changed("sensors", 1, installed=pd.Timestamp("2021-10-20"), manufactured=pd.NaT).fleet()
    assert found(fleet, "installed after its calibrations")["row"].tolist() == [1]
    assert len(found(fleet, "before installation")) == 9


def test_a_swapped_date_of_removal_is_put_right_by_the_calibrations(tables) -> None:
    fleet = tables.changed("sensors", 1, removed=pd.Timestamp("2021-02-12"), removal_reason="worn").fleet()  # was 2 December
    assert only(fleet, "day and month swapped")["column"] == "removed"
    assert fleet.sensors["removed"].iloc[0] == pd.Timestamp("2021-12-02") and len(fleet.calibrations) == 120


def test_a_date_that_could_be_right_is_left_alone(tables) -> None:
    """Sorted by time, a swapped date within service cannot be told from a true one: it must not be touched."""
    assert not len(found(tables.fleet(), "day and month swapped"))


def test_dates_of_a_sensor_that_contradict_each_other_are_said(tables) -> None:
    spoilt = tables.changed("sensors", 1, removed=pd.Timestamp("2020-01-01")).changed(
        "sensors", 2, manufactured=pd.Timestamp("2021-05-01")
    )
    fleet = spoilt.changed("sensors", 3, warranty_end=pd.Timestamp("2019-01-01")).fleet()
    assert found(fleet, "removed before installed")["row"].tolist() == [1]
    assert found(fleet, "made after installed")["row"].tolist() == [2]
    assert found(fleet, "warranty before installed")["row"].tolist() == [3]
    assert "its own row was set aside" in found(fleet, "sensor set aside")["reason"].iloc[0].replace("the sensor's", "its")


def test_a_sensor_in_service_long_before_its_records_is_said(tables) -> None:
    fleet = tables.changed("sensors", 1, installed=pd.Timestamp("2018-01-01"), manufactured=pd.NaT).fleet()
    assert only(fleet, "records begin late")["count"] == 1


def test_one_lone_date_weeks_after_dense_records_is_in_the_future_but_a_quiet_summer_is_not(tables) -> None:
    daily = pd.concat(
        [tables.calibrations.assign(time=tables.calibrations["time"] + pd.Timedelta(days=10 * shift)) for shift in range(3)]
    ).sort_values("time", ignore_index=True)
    late = daily.assign(time=daily["time"].where(daily.index < len(daily) - 1, pd.Timestamp("2022-03-15")))
    fleet = Fleet.from_tables(tables.sensors, late, tables.cylinders)
    assert found(fleet, "in the future")["row"].tolist() == [len(daily)]
    assert daily["time"].iloc[-2].strftime("%Y-%m-%d") in found(fleet, "in the future")["reason"].iloc[0]
    quiet = daily.assign(time=daily["time"] + pd.to_timedelta(60 * (daily.index >= len(daily) - 30), unit="D"))
    assert not len(found(Fleet.from_tables(tables.sensors, quiet, tables.cylinders), "in the future"))


def test_the_same_calibration_from_an_export_that_says_less_is_a_second_upload(tables) -> None:
    less = tables.calibrations.iloc[[3]].assign(technician="", temperature_c=np.nan).to_dict("records")[0]
    near = found(tables.with_calibrations(less).fleet(), "near duplicate")
    assert near["row"].tolist() == [121] and "the same measurements as row 4" in near["reason"].iloc[0]
    before = pd.concat([pd.DataFrame([less]), tables.calibrations], ignore_index=True)
    fleet = Fleet.from_tables(tables.sensors, before, tables.cylinders)
    assert found(fleet, "near duplicate")["row"].tolist() == [1], "the fuller row is used"
    other = tables.calibrations.iloc[3].to_dict() | {"technician": "someone else"}
    assert not len(found(tables.with_calibrations(other).fleet(), "near duplicate"))


@pytest.mark.parametrize("whole", [False, True])
def test_a_missing_date_of_installation_is_told_from_other_dates_and_listed(tables, whole: bool) -> None:
    sensors = tables.sensors.assign(manufactured=tables.sensors["manufactured"].where(tables.sensors.index != 1))
    sensors = (
        sensors.drop(columns="installed") if whole else sensors.assign(installed=sensors["installed"].where(sensors.index > 1))
    )
    reset = tables.calibrations.iloc[[10]].assign(time=pd.Timestamp("1970-01-01 02:00"), headroom=99.0)
    fleet = Fleet.from_tables(sensors, pd.concat([tables.calibrations, reset]), tables.cylinders)
    assert found(fleet, "installed missing")["done"].tolist() == ["corrected"] * (12 if whole else 2)
    first = tables.calibrations.loc[tables.calibrations["sensor_id"] == "S002", "time"].min()
    assert fleet.sensors["installed"].tolist()[:2] == [pd.Timestamp("2020-11-01"), first]
    assert any("installation of" in note for note in fleet.notes)
    if not whole:
        strict = Fleet.from_tables(sensors, tables.calibrations, tables.cylinders, corrections=False)
        assert len(strict.sensors) == 10 and len(found(strict, "missing value")) == 2


@pytest.mark.parametrize("newest_first", [False, True])
def test_a_swapped_date_is_seen_whichever_end_of_the_table_is_the_newest(tables, newest_first: bool) -> None:
    place = int(np.flatnonzero(tables.calibrations["time"].dt.strftime("%m-%d") == "07-01")[0])
    true = tables.calibrations["time"].iloc[place]
    spoilt = tables.changed("calibrations", place + 1, time=true.replace(month=1, day=7))
    if newest_first:
        spoilt = replace(spoilt, calibrations=spoilt.calibrations[::-1].reset_index(drop=True))
        place = len(spoilt.calibrations) - 1 - place
    assert found(spoilt.fleet(), "day and month swapped")["row"].tolist() == [place + 1]
    assert cell(spoilt.fleet(), place + 1, "time") == true


@pytest.mark.parametrize("seed", range(5))
def test_rows_in_no_order_speak_for_no_swapped_date(seed: int) -> None:
    tables = make_tables(sensors=40, visits=20)
    mixed = tables.calibrations.sample(frac=1.0, random_state=seed).reset_index(drop=True)
    assert found(replace(tables, calibrations=mixed).fleet(), "day and month swapped").empty
