"""Sensors that the records lose sight of: taken as removed, said so, and never before it could be known."""

from __future__ import annotations

import pandas as pd
import pytest

from sensorhealth import health, life

from .conftest import Tables, make_tables
from .telling import found

FINDING = "removal not recorded"


def _silent_from(tables: Tables, sensor: str, visit: int, **last: object) -> Tables:
    """Without the calibrations of a sensor after its `visit`-th (0 = first), of which some cells read otherwise."""
    own = tables.calibrations.index[tables.calibrations["sensor_id"] == sensor]
    tables = tables.changed("calibrations", int(own[visit]) + 1, **last)
    return Tables(tables.sensors, tables.calibrations.drop(index=own[visit + 1 :]).reset_index(drop=True), tables.cylinders)


@pytest.fixture(scope="module")
def long() -> Tables:
    """Twelve sensors, twenty visits a month apart."""
    return make_tables(visits=20)


def test_one_that_failed_and_was_never_tested_again_is_taken_as_removed(long: Tables) -> None:
    fleet = _silent_from(long, "S004", 9, outcome="fail").fleet()
    finding = found(fleet, FINDING)
    assert finding["sensor_id"].tolist() == ["S004"] and (finding["done"] == "corrected").all()
    assert "out of service until it has passed" in finding["reason"].iloc[0]
    failed = pd.Timestamp("2021-02-01") + pd.Timedelta(days=30 * 9)
    # the first visit of its site at least 180 days after it failed: six visits of thirty days
    assert fleet.sensors.set_index("sensor_id").loc["S004", "removed"] == failed + pd.Timedelta(days=180)


def test_it_stays_in_service_where_corrections_are_off_and_is_doubted(long: Tables) -> None:
    fleet = _silent_from(long, "S004", 9, outcome="fail").fleet(corrections=False)
    assert (found(fleet, FINDING)["done"] == "doubted").all() and fleet.sensors["removed"].isna().all()


def test_it_is_not_known_before_its_site_went_on_without_it(long: Tables) -> None:
    fleet = _silent_from(long, "S004", 9, outcome="fail").fleet()
    removed = fleet.sensors["removed"].max()
    before, after = fleet.known_at(removed - pd.Timedelta("1s")), fleet.known_at(removed)
    assert before.sensors["removed"].isna().all() and found(before, FINDING).empty
    assert after.sensors["removed"].notna().sum() == 1 and len(found(after, FINDING)) == 1
    cut = _silent_from(long, "S004", 9, outcome="fail")
    until = cut.calibrations[cut.calibrations["time"] < removed]
    assert found(Tables(cut.sensors, until, cut.cylinders).fleet(), FINDING).empty


def test_one_that_failed_lately_or_passed_later_is_in_service(long: Tables) -> None:
    assert found(_silent_from(long, "S004", 16, outcome="fail").fleet(), FINDING).empty  # ninety days ago
    own = long.calibrations.index[long.calibrations["sensor_id"] == "S004"]
    assert found(long.changed("calibrations", int(own[9]) + 1, outcome="fail").fleet(), FINDING).empty


def test_one_of_a_site_whose_records_end_is_in_service(long: Tables) -> None:
    """A site that is not calibrated any more says nothing of its sensors."""
    north = long.calibrations["sensor_id"].isin(long.sensors["sensor_id"][long.sensors["site"] == "North"])
    cut = long.calibrations[~north | (long.calibrations["time"] < "2021-12-01")].reset_index(drop=True)
    own = cut.index[cut["sensor_id"] == "S003"]
    failed = Tables(long.sensors, cut, long.cylinders).changed("calibrations", int(own[-1]) + 1, outcome="fail")
    assert found(failed.fleet(), FINDING).empty


def test_a_usual_gap_of_half_a_year_is_awaited_three_times(long: Tables) -> None:
    rare = long.calibrations["sensor_id"].eq("S004") & ~long.calibrations["cylinder_id"].eq("")
    keep = ~rare | (long.calibrations.groupby("sensor_id").cumcount() % 6 == 0)
    seldom = Tables(long.sensors, long.calibrations[keep].reset_index(drop=True), long.cylinders)
    assert found(_silent_from(seldom, "S004", 2, outcome="fail").fleet(), FINDING).empty  # 210 days of silence, gap 180


def test_one_that_passed_is_only_taken_as_removed_where_no_removal_is_ever_recorded(long: Tables) -> None:
    silent = _silent_from(long, "S004", 4)
    finding = found(silent.fleet(), FINDING)
    assert finding["sensor_id"].tolist() == ["S004"] and "test it before it is relied on" in finding["reason"].iloc[0]
    told = silent.changed("sensors", 1, removed=pd.Timestamp("2022-09-30"), removal_reason="worn")
    assert found(told.fleet(), FINDING).empty


def test_what_failed_and_went_is_an_end_by_itself_and_what_passed_and_went_is_not(long: Tables) -> None:
    fleet = _silent_from(_silent_from(long, "S004", 9, outcome="fail"), "S008", 4).fleet()
    lives = health.lives(fleet).set_index("sensor_id")
    assert lives.loc["S004", "end_kind"] == "soft" and lives.loc["S008", "end_kind"] == "censored"
    died = life.SuddenLife().fit(health.lives(fleet), pd.Timestamp("2022-09-01")).data(health.lives(fleet), "galvanic oxygen")
    assert died.deaths == 1  # S004 is of a kind that is forecast from ages at death: between its last pass and its failure
    assert died.upper[died.died][0] - died.lower[died.died][0] == pytest.approx(30 / 365.25, abs=1e-3)


def test_a_removal_without_a_reason_after_a_failed_test_is_an_end_by_itself(long: Tables) -> None:
    gone = _silent_from(long, "S004", 9, outcome="fail").changed("sensors", 4, removed=pd.Timestamp("2021-11-15"))
    assert health.lives(gone.fleet()).set_index("sensor_id").loc["S004", "end_kind"] == "soft"
    other = gone.changed("sensors", 4, removal_reason="precaution")
    assert health.lives(other.fleet()).set_index("sensor_id").loc["S004", "end_kind"] == "censored"


def _with_successor(tables: Tables, sensor: str, visit: int, **facts: object) -> Tables:
    """The sensor is calibrated up to its `visit`-th visit, another one in its place from the next visit on."""
    own = tables.calibrations["sensor_id"] == sensor
    later = own & (tables.calibrations.groupby("sensor_id").cumcount() > visit)
    calibrations = tables.calibrations.copy()
    calibrations.loc[later, "sensor_id"] = "NEW"
    start = calibrations["time"][later].min().normalize() - pd.Timedelta(days=3)
    new = tables.sensors[tables.sensors["sensor_id"] == sensor].assign(
        sensor_id="NEW", installed=start, manufactured=pd.NaT, warranty_end=pd.NaT, **facts
    )
    return Tables(pd.concat([tables.sensors, new], ignore_index=True), calibrations, tables.cylinders)


def test_one_that_another_has_followed_in_its_place_is_taken_as_removed(long: Tables) -> None:
    told = long.changed("sensors", 1, removed=pd.Timestamp("2022-09-30"), removal_reason="worn")
    fleet = _with_successor(told, "S006", 15).fleet()
    finding = found(fleet, FINDING)
    assert finding["sensor_id"].tolist() == ["S006"] and "another sensor for its gas" in finding["reason"].iloc[0]
    first = fleet.calibrations.loc[fleet.calibrations["sensor_id"] == "NEW", "time"].min().normalize()
    assert fleet.sensors.set_index("sensor_id")["removed"].dropna().to_dict() == {
        "S001": pd.Timestamp("2022-09-30"),
        "S006": first,
    }
    assert fleet.known_at(first - pd.Timedelta("1s")).sensors["removed"].isna().all()


@pytest.mark.parametrize("facts", [{"position": "9"}, {"instrument_id": "other"}, {"gas": "CO2"}, {"instrument_id": ""}])
def test_one_of_another_place_or_gas_has_not_followed_it(long: Tables, facts: dict[str, str]) -> None:
    told = long.changed("sensors", 1, removed=pd.Timestamp("2022-09-30"), removal_reason="worn")
    assert found(_with_successor(told, "S006", 15, **facts).fleet(), FINDING).empty


def test_two_sensors_that_serve_side_by_side_do_not_follow_each_other(long: Tables) -> None:
    """Two for one gas in an instrument that records no positions: both are calibrated to the end."""
    side = long.sensors.assign(position="", instrument_id=[f"I{n % 4}" for n in range(12)])
    assert found(Tables(side, long.calibrations, long.cylinders).fleet(), FINDING).empty
