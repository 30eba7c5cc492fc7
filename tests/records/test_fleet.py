"""What a fleet holds, and what was known when."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from sensorhealth import nomenclature
from sensorhealth.records import Fleet, read_fleet


def test_clean_records_are_all_used_without_a_finding(tables) -> None:
    fleet = tables.fleet()
    assert fleet.findings.empty
    assert fleet.reconciliation["rows_in"].tolist() == [12, 120, 8]
    assert (fleet.reconciliation["rows_in"] == fleet.reconciliation["rows_used"]).all()


def test_every_column_of_the_contract_is_there_and_typed(tables) -> None:
    fleet = Fleet.from_tables(
        tables.sensors[["sensor_id", "gas", "technology", "installed", "unit"]],
        tables.calibrations[["sensor_id", "time", "kind", "headroom", "applied"]],
    )
    for name in nomenclature.TABLES_IN:
        frame = getattr(fleet, name)
        for column, facts in nomenclature.columns(name).items():
            expected = {"text": "str", "number": "float64", "time": "datetime64[us]"}[facts.type]
            assert str(frame[column].dtype) == expected, (name, column)
    assert (fleet.sensors["lot"] == "").all()
    assert (fleet.calibrations["attempt"] == 1).all()


def test_calibrations_come_sorted_by_sensor_and_time(tables) -> None:
    shuffled = tables.calibrations.sample(frac=1, random_state=3)
    fleet = Fleet.from_tables(tables.sensors, shuffled, tables.cylinders)
    ordered = fleet.calibrations.sort_values(["sensor_id", "time", "row"])
    assert ordered.index.tolist() == list(range(len(ordered)))
    first = shuffled.iloc[fleet.calibrations["row"].iloc[0] - 1]
    assert (fleet.calibrations["sensor_id"].iloc[0], fleet.calibrations["time"].iloc[0]) == (
        first["sensor_id"],
        first["time"],
    )


def test_a_folder_of_csv_reads_like_the_tables_it_was_written_from(tables, tmp_path: Path) -> None:
    read, given = read_fleet(tables.write(tmp_path)), tables.fleet()
    for name in nomenclature.TABLES_IN:
        pd.testing.assert_frame_equal(getattr(read, name), getattr(given, name))


def test_a_past_date_knows_nothing_that_came_later(tables) -> None:
    late = tables.changed("sensors", 1, removed=pd.Timestamp("2021-10-01"), removal_reason="worn").changed(
        "sensors", 12, installed=pd.Timestamp("2021-06-20")
    )
    fleet = late.fleet()
    early = fleet.known_at(pd.Timestamp("2021-05-01"))
    assert early.calibrations["time"].max() <= pd.Timestamp("2021-05-01")
    assert "S012" not in set(early.sensors["sensor_id"])
    assert early.sensors.loc[early.sensors["sensor_id"] == "S001", ["removed", "removal_reason"]].iloc[0].tolist() == [
        pd.NaT,
        "",
    ]
    assert set(early.cylinders["cylinder_id"].str[-1]) == {"0"}
    later = pd.Timestamp("2021-05-01")
    assert not (early.findings["time"] > later).any()
    used, aside = early.reconciliation["rows_used"], early.reconciliation["rows_set_aside"]
    assert (early.reconciliation["rows_in"] == used + aside).all()
    counted = early.findings[early.findings["done"] == "set aside"].groupby("table")["count"].sum()
    assert counted["calibrations"] == aside.iloc[1]


def test_a_date_after_everything_changes_nothing(tables) -> None:
    fleet = tables.fleet()
    assert fleet.known_at("2030-01-01") is fleet
