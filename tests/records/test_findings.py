"""Each way in which records go wrong is found, named, and dealt with as stated."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth.records import Fleet

from .conftest import make_tables
from .telling import cell, found, only


def test_unknown_sensor_is_set_aside_with_its_row(tables) -> None:
    fleet = tables.changed("calibrations", 7, sensor_id="X999").fleet()
    finding = only(fleet, "unknown sensor")
    assert (finding["row"], finding["column"], finding["value"], finding["done"]) == (7, "sensor_id", "X999", "set aside")
    assert fleet.reconciliation.set_index("table").loc["calibrations"].tolist() == [120, 119, 1]


@pytest.mark.parametrize("written", ["s001", "S 001", "S-1", "S1"])
def test_an_id_that_can_only_mean_one_sensor_is_corrected(tables, written: str) -> None:
    spoilt = tables.changed("calibrations", 1, sensor_id=written)
    assert only(spoilt.fleet(), "id written otherwise")["done"] == "corrected"
    assert cell(spoilt.fleet(), 1, "sensor_id") == "S001"
    assert only(spoilt.fleet(corrections=False), "id written otherwise")["done"] == "set aside"


def test_an_id_that_could_mean_two_sensors_is_not_guessed(tables) -> None:
    two = tables.changed("sensors", 2, sensor_id="s-001")
    calibrations = tables.calibrations.replace({"sensor_id": {"S002": "s-001"}})
    fleet = Fleet.from_tables(two.sensors, calibrations.replace({"sensor_id": {"S003": "S 001"}}), tables.cylinders)
    assert (found(fleet, "unknown sensor")["value"] == "S 001").all()


def test_a_number_that_a_spreadsheet_made_of_an_id_is_the_id(tables) -> None:
    numbered = [
        frame.assign(sensor_id=frame["sensor_id"].str[1:].str.lstrip("0")) for frame in (tables.sensors, tables.calibrations)
    ]
    numbered[1].loc[0, "sensor_id"] = "1.0"
    assert only(Fleet.from_tables(*numbered, tables.cylinders), "id written otherwise")["done"] == "corrected"


def test_unknown_cylinder_is_kept_and_named_once(tables) -> None:
    fleet = tables.changed("calibrations", 3, cylinder_id="new").changed("calibrations", 4, cylinder_id="new").fleet()
    finding = only(fleet, "unknown cylinder")
    assert (finding["value"], finding["done"], finding["count"]) == ("new", "kept", 2)


def test_equal_rows_are_used_once(tables) -> None:
    fleet = tables.with_calibrations(tables.calibrations.iloc[4].to_dict(), tables.calibrations.iloc[4].to_dict()).fleet()
    duplicates = found(fleet, "duplicate")
    assert duplicates["row"].tolist() == [121, 122] and duplicates["reason"].str.contains("row 5").all()
    assert len(fleet.calibrations) == 120


def test_a_retry_is_kept_and_numbered_not_taken_for_a_duplicate(tables) -> None:
    failed = tables.changed("calibrations", 5, outcome="fail", headroom=np.nan, span_gain=np.nan)
    retry = tables.calibrations.iloc[4].to_dict() | {"time": tables.calibrations["time"].iloc[4] + pd.Timedelta("9min")}
    fleet = failed.with_calibrations(retry).fleet()
    assert only(fleet, "retry")["done"] == "kept"
    assert [cell(fleet, row, "attempt") for row in (5, 121, 6)] == [1, 2, 1]
    assert len(fleet.calibrations) == 121


def test_an_aborted_calibration_is_neither_pass_nor_fail_and_is_kept(tables) -> None:
    fleet = tables.changed("calibrations", 5, outcome="cancelled", headroom=np.nan, span_gain=np.nan).fleet()
    assert (cell(fleet, 5, "outcome"), cell(fleet, 5, "outcome_recorded")) == ("aborted", "cancelled")
    assert fleet.findings.empty


@pytest.mark.parametrize("column", ["applied", "headroom", "span_gain"])
def test_a_negative_measurement_is_impossible(tables, column: str) -> None:
    finding = only(tables.changed("calibrations", 3, **{column: -4.0}).fleet(), "impossible value")
    assert (finding["column"], finding["value"], finding["done"]) == (column, "-4", "set aside")


def test_an_impossible_humidity_costs_the_value_not_the_row(tables) -> None:
    fleet = tables.changed("calibrations", 3, humidity_pct=140.0).fleet()
    assert only(fleet, "impossible value")["done"] == "kept"
    assert np.isnan(cell(fleet, 3, "humidity_pct")) and len(fleet.calibrations) == 120


def test_an_unreadable_number_sets_the_row_aside_but_never_a_failure(tables) -> None:
    assert only(tables.changed("calibrations", 3, headroom="over").fleet(), "unreadable value")["done"] == "set aside"
    failed = tables.changed("calibrations", 3, headroom="none left", outcome="fail").fleet()
    assert only(failed, "unreadable value")["done"] == "kept"
    assert np.isnan(cell(failed, 3, "headroom"))


def test_ppm_written_as_percent_by_volume_is_brought_back_by_the_label(tables) -> None:
    row = tables.calibrations.iloc[0]  # H2S, 25 ppm
    wrong = {name: row[name] * 1e-4 for name in ("applied", "zero_offset", "as_found", "as_left", "headroom")}
    spoilt = tables.changed("calibrations", 1, **wrong)
    fleet = spoilt.fleet()
    assert only(fleet, "units mixed")["done"] == "corrected"
    for name in ("applied", "as_found", "as_left", "headroom"):
        assert cell(fleet, 1, name) == pytest.approx(row[name], rel=1e-12)
    assert only(spoilt.fleet(corrections=False), "units mixed")["done"] == "set aside"


def test_percent_by_volume_among_percent_lel_is_brought_back_by_its_basis(tables) -> None:
    methane = int(np.flatnonzero(tables.calibrations["sensor_id"] == "S003")[0])
    row = tables.calibrations.iloc[methane]
    wrong = {name: row[name] * 4.4 / 100 for name in ("applied", "as_found", "as_left", "headroom")}
    fleet = tables.changed("calibrations", methane + 1, **wrong).fleet()
    assert only(fleet, "units mixed")["reason"].startswith("in %vol")
    assert cell(fleet, methane + 1, "headroom") == pytest.approx(row["headroom"])


def test_a_wrong_unit_without_a_cylinder_is_told_by_the_sensors_other_calibrations(tables) -> None:
    alone = tables.calibrations.assign(cylinder_id="")
    alone.loc[0, ["applied", "as_found", "as_left", "headroom"]] *= 1e-4
    fleet = Fleet.from_tables(tables.sensors, alone, tables.cylinders)
    assert found(fleet, "units mixed")["row"].tolist() == [1]
    assert cell(fleet, 1, "applied") == pytest.approx(25.0)


def test_a_label_in_another_unit_is_corrected_not_the_rows(tables) -> None:
    labels = tables.cylinders.assign(unit="")
    labels.loc[labels["gas"] == "CH4", "concentration"] = 2.2  # %vol of methane where the sensors read %LEL of 4.4
    fleet = Fleet.from_tables(tables.sensors, tables.calibrations, labels)
    assert set(found(fleet, "label in another unit")["row"]) == set(labels.index[labels["gas"] == "CH4"] + 1)
    assert fleet.cylinders.loc[fleet.cylinders["gas"] == "CH4", "concentration"].tolist() == pytest.approx([50.0, 50.0])
    assert not len(found(fleet, "units mixed"))


def test_a_wrong_set_value_is_told_from_a_wrong_cylinder_by_the_readings(tables) -> None:
    carbon = int(np.flatnonzero(tables.calibrations["sensor_id"] == "S002")[3])
    row = tables.calibrations.iloc[carbon]
    set_wrong = tables.changed("calibrations", carbon + 1, applied=200.0).fleet()
    assert only(set_wrong, "applied not the label")["done"] == "corrected"
    assert cell(set_wrong, carbon + 1, "applied") == 100.0
    other = pd.concat(
        [
            tables.cylinders,
            tables.cylinders[tables.cylinders["gas"] == "CO"].iloc[:1].assign(cylinder_id="CO-x", concentration=200.0),
        ]
    )
    doubled = {name: 2 * row[name] for name in ("applied", "as_found", "as_left", "headroom")}
    spoilt = tables.changed("calibrations", carbon + 1, **doubled)
    fleet = Fleet.from_tables(spoilt.sensors, spoilt.calibrations, other)
    assert only(fleet, "applied not the label")["done"] == "doubted"
    assert cell(fleet, carbon + 1, "applied") == 200.0 and cell(fleet, carbon + 1, "cylinder_id") == ""


def test_a_small_difference_from_the_label_is_only_doubted(tables) -> None:
    fleet = tables.changed("calibrations", 3, applied=26.0).fleet()
    assert only(fleet, "applied not the label")["done"] == "doubted"
    assert cell(fleet, 3, "applied") == 26.0


def test_the_two_bases_of_percent_lel_are_recognised(tables) -> None:
    methane = tables.calibrations["sensor_id"].isin(["S003", "S007"])
    spoilt = tables.calibrations.copy()
    for name in ("applied", "as_found", "as_left", "headroom"):
        spoilt.loc[methane, name] *= 4.4 / 5.0
    fleet = Fleet.from_tables(tables.sensors, spoilt, tables.cylinders)
    assert set(fleet.findings["finding"]) == {"%LEL basis conflict"}


def test_gas_that_is_not_the_sensors_is_set_aside(tables) -> None:
    fleet = tables.changed("calibrations", 1, cylinder_id="CO-0").fleet()
    assert only(fleet, "gas not the sensor's")["done"] == "set aside"


def test_a_habitual_surrogate_gas_is_kept_and_said(tables) -> None:
    swapped = tables.calibrations.replace({"cylinder_id": {"CH4-0": "CO-0", "CH4-1": "CO-1"}})
    fleet = Fleet.from_tables(tables.sensors, swapped, tables.cylinders)
    assert set(fleet.findings["finding"]) == {"surrogate gas"} and len(fleet.calibrations) == 120


def test_a_missing_set_value_is_taken_from_the_label(tables) -> None:
    fleet = tables.changed("calibrations", 1, applied=np.nan).fleet()
    assert only(fleet, "applied missing")["done"] == "corrected" and cell(fleet, 1, "applied") == 25.0
    assert np.isnan(cell(tables.changed("calibrations", 1, applied=np.nan).fleet(corrections=False), 1, "applied"))


def test_oxygen_spanned_in_ambient_air_needs_no_cylinder(tables) -> None:
    oxygen = tables.calibrations["sensor_id"].isin(["S004", "S008", "S012"])
    spoilt = tables.calibrations.copy()
    spoilt.loc[oxygen, "cylinder_id"] = ""
    spoilt.loc[oxygen, "applied"] = np.nan
    fleet = Fleet.from_tables(tables.sensors, spoilt, tables.cylinders)
    assert set(found(fleet, "ambient span")["done"]) == {"corrected"}
    assert (fleet.calibrations.loc[fleet.calibrations["sensor_id"] == "S004", "applied"] == 20.9).all()


def test_expired_gas_is_kept_and_counted_by_cylinder(tables) -> None:
    fleet = tables.changed("cylinders", 1, expires=pd.Timestamp("2021-03-03")).fleet()
    finding = only(fleet, "expired gas")
    late = tables.calibrations[(tables.calibrations["cylinder_id"] == "H2S-0") & (tables.calibrations["time"] >= "2021-03-04")]
    assert (finding["value"], finding["count"], finding["done"]) == ("H2S-0", len(late), "kept")


def test_a_display_limit_is_kept_whether_stated_or_seen(tables) -> None:
    capped = tables.calibrations.copy()
    capped["headroom"] = np.minimum(capped["headroom"], capped["applied"] * 2.1)
    inferred = Fleet.from_tables(tables.sensors, capped, tables.cylinders)
    assert len(found(inferred, "at display limit")) > 0
    assert inferred.sensors.loc[inferred.sensors["gas"] == "CO", "display_limit"].tolist() == [210.0] * 3
    stated = Fleet.from_tables(tables.sensors.assign(display_limit=[52.5, 210, 105, 43.89] * 3), capped, tables.cylinders)
    assert not len(found(stated, "display limit inferred")) and len(found(stated, "at display limit")) > 0


def test_headroom_written_as_more_than_a_number_is_at_least_that(tables) -> None:
    spoilt = tables.changed("calibrations", 1, headroom=">50").changed("calibrations", 2, headroom="≥ 50 ppm")
    fleet = spoilt.fleet()
    assert fleet.sensors["display_limit"].tolist()[:1] == [50.0]
    assert found(fleet, "at display limit")["count"].sum() >= 2 and len(fleet.calibrations) == 120
    for other in (spoilt.changed("sensors", 1, display_limit=80.0).fleet(), spoilt.fleet(corrections=False)):
        assert found(other, "unreadable value")["count"].tolist() == [2]
        assert other.calibrations.loc[other.calibrations["row"] <= 2, "headroom"].isna().all()


def test_rounding_to_whole_units_is_not_taken_for_a_display_limit(tables) -> None:
    rounded = tables.calibrations.assign(headroom=tables.calibrations["headroom"].round(-1))
    assert not len(found(Fleet.from_tables(tables.sensors, rounded, tables.cylinders), "display limit inferred"))


def test_headroom_beyond_all_others_is_impossible(tables) -> None:
    assert only(tables.changed("calibrations", 3, headroom=55000.0).fleet(), "impossible headroom")["done"] == "set aside"


def test_a_dying_sensor_is_not_set_aside(tables) -> None:
    fleet = tables.changed("calibrations", 10, headroom=2.0, outcome="fail", span_gain=np.nan).fleet()
    assert fleet.findings.empty and len(fleet.calibrations) == 120


def test_results_that_contradict_the_numbers_are_doubted(tables) -> None:
    fleet = tables.changed("calibrations", 3, headroom=20.0).changed("calibrations", 13, outcome="fail").fleet()
    assert found(fleet, "pass contradicted")["row"].tolist() == [3]
    assert found(fleet, "fail contradicted")["row"].tolist() == [13]
    assert len(fleet.calibrations) == 120


def test_records_kept_only_on_failures_are_recognised_and_rates_refused(tables) -> None:
    failures = tables.calibrations.assign(outcome=np.where(np.arange(120) % 10 < 8, "fail", "pass"))
    failures.loc[failures["outcome"] == "fail", ["headroom", "span_gain", "as_left"]] = np.nan
    fleet = Fleet.from_tables(tables.sensors, failures, tables.cylinders)
    assert fleet.selective_recording and any("rates" in note and "refused" in note for note in fleet.notes)
    assert not tables.fleet().selective_recording


def test_as_found_that_only_repeats_the_gas_is_doubted(tables) -> None:
    fleet = Fleet.from_tables(
        tables.sensors, tables.calibrations.assign(as_found=tables.calibrations["applied"]), tables.cylinders
    )
    assert only(fleet, "as-found not recorded")["count"] == 120


def test_copied_numbers_are_doubted(tables) -> None:
    spoilt = tables.calibrations.copy()
    carbon = spoilt.index[spoilt["sensor_id"].isin(["S002", "S006", "S010"]) & (spoilt["time"].dt.month == 3)]
    more = pd.concat([tables.sensors, tables.sensors.iloc[[1, 5]].assign(sensor_id=["T2", "T6"])])
    spoilt = pd.concat([spoilt, spoilt.loc[carbon[:2]].assign(sensor_id=["T2", "T6"])], ignore_index=True)
    rows = [*carbon, 120, 121]
    for name in ("zero_offset", "as_found", "span_gain", "headroom", "response_seconds"):
        spoilt.loc[rows, name] = spoilt.loc[rows[0], name]
    assert found(Fleet.from_tables(more, spoilt, tables.cylinders), "copied values")["count"].tolist() == [5]
    spoilt.loc[rows[0], "headroom"] += 0.01
    assert not len(found(Fleet.from_tables(more, spoilt, tables.cylinders), "copied values"))


def test_copied_numbers_are_doubted_at_the_resolution_of_the_display_too(tables) -> None:
    big = make_tables(sensors=40, visits=12)
    coarse = big.calibrations.assign(response_seconds=np.nan, span_gain=np.nan)
    for name in ("zero_offset", "as_found", "headroom"):
        coarse[name] = coarse[name].round(1)
    assert not len(found(Fleet.from_tables(big.sensors, coarse, big.cylinders), "copied values"))
    rows = coarse.index[(coarse["cylinder_id"] == "CO-1")][:40]
    coarse.loc[rows, ["zero_offset", "as_found", "headroom"]] = [0.3, 99.1, 188.7]
    assert found(Fleet.from_tables(big.sensors, coarse, big.cylinders), "copied values")["count"].tolist() == [40]


def test_the_limit_and_the_gas_itself_are_not_taken_for_copied(tables) -> None:
    big = make_tables(sensors=40, visits=12)
    limited = big.calibrations.assign(response_seconds=np.nan, span_gain=np.nan)
    limited["as_found"], limited["headroom"] = limited["applied"], 1.5 * limited["applied"]
    limited["zero_offset"] = limited["zero_offset"].round(1)
    assert not len(found(Fleet.from_tables(big.sensors, limited, big.cylinders), "copied values"))


def test_a_sensor_whose_own_gas_all_its_calibrations_contradict_is_named_once(tables) -> None:
    fleet = tables.changed("sensors", 1, gas="CO").fleet()
    doubt = found(fleet, "gas contradicted")
    assert doubt[["table", "row", "done"]].to_numpy().tolist() == [["sensors", 1, "doubted"]]
    assert "all its 10 calibrations are on cylinders of H2S; mend this cell" in doubt["reason"].iloc[0]


@pytest.mark.parametrize("corrections", [True, False])
def test_failures_that_show_just_the_gas_are_at_most_that(tables, corrections: bool) -> None:
    spoilt = tables.calibrations.copy()
    last = spoilt.groupby("sensor_id").tail(1).index[:6]
    spoilt.loc[last, "outcome"], spoilt.loc[last, "headroom"] = "fail", spoilt.loc[last, "applied"]
    fleet = Fleet.from_tables(tables.sensors, spoilt, tables.cylinders, corrections=corrections)
    assert len(found(fleet, "at the gas value")) == 6
    assert fleet.calibrations.loc[fleet.calibrations["outcome"] == "fail", "headroom"].isna().all() == corrections
    spoilt.loc[last[:3], "headroom"] *= 0.9
    assert not len(found(Fleet.from_tables(tables.sensors, spoilt, tables.cylinders), "at the gas value"))


def test_a_failure_and_its_retry_count_once_when_only_failures_are_kept(tables) -> None:
    failed = tables.calibrations.iloc[::4].assign(outcome="fail")
    again = failed.assign(outcome="pass", time=failed["time"] + pd.Timedelta(minutes=5), headroom=failed["headroom"] + 0.1)
    fleet = Fleet.from_tables(tables.sensors, pd.concat([failed, again], ignore_index=True), tables.cylinders)
    assert fleet.selective_recording and any("rates of ageing and failure are refused" in note for note in fleet.notes)
    passed = pd.concat([tables.calibrations, again], ignore_index=True)
    assert not Fleet.from_tables(tables.sensors, passed, tables.cylinders).selective_recording


def test_a_moved_sensor_keeps_its_age_and_its_last_place(tables) -> None:
    moved = tables.sensors.iloc[:1].assign(instrument_id="I9", site="South", installed=pd.Timestamp("2021-06-01"))
    fleet = Fleet.from_tables(pd.concat([tables.sensors, moved]), tables.calibrations, tables.cylinders)
    sensor = fleet.sensors.set_index("sensor_id").loc["S001"]
    assert (sensor["installed"], sensor["instrument_id"], sensor["site"]) == (pd.Timestamp("2021-01-04"), "I9", "South")
    assert found(fleet, "moved")["done"].tolist() == ["kept", "set aside"] and len(fleet.calibrations) == 120


def test_one_id_with_two_sets_of_facts_uses_the_first(tables) -> None:
    fleet = Fleet.from_tables(
        pd.concat([tables.sensors, tables.sensors.iloc[:1].assign(gas="CO")]), tables.calibrations, tables.cylinders
    )
    finding = only(fleet, "conflicting rows")
    assert (finding["row"], finding["done"]) == (13, "set aside") and "gas" in finding["reason"]


def test_each_finding_has_a_reason_a_place_and_a_count(tables) -> None:
    spoilt = (
        tables.changed("calibrations", 3, headroom=-1.0)
        .changed("calibrations", 7, sensor_id="X")
        .changed("cylinders", 1, expires=pd.Timestamp("2021-03-03"))
    )
    findings = spoilt.fleet().findings
    assert (findings["reason"].str.len() > 10).all() and (findings["count"] >= 1).all() and findings["row"].notna().all()
