"""One name for one site, however it was written."""

from __future__ import annotations

import pytest

from sensorhealth.records import Fleet

from .telling import cell, found


@pytest.mark.parametrize("corrections", [True, False])
def test_a_site_written_in_two_ways_is_one_site(tables, corrections: bool) -> None:
    sensors = tables.sensors.assign(site=["Hall A"] * 8 + ["hall a", "HALL A", "Yard", ""])
    fleet = Fleet.from_tables(sensors, tables.calibrations, tables.cylinders, corrections=corrections)
    listed = found(fleet, "name written otherwise")
    assert set(listed["value"]) == {"hall a", "HALL A"}
    assert set(listed["done"]) == {"corrected" if corrections else "doubted"}
    assert (set(fleet.sensors["site"]) == {"Hall A", "Yard", ""}) == corrections


def test_lots_are_doubted_and_left(tables) -> None:
    sensors = tables.sensors.assign(lot=["B7"] * 8 + ["b7"] * 4)
    fleet = Fleet.from_tables(sensors, tables.calibrations, tables.cylinders)
    listed = found(fleet, "name written otherwise")
    assert listed[["value", "done", "count"]].to_numpy().tolist() == [["b7", "doubted", 4]]
    assert set(fleet.sensors["lot"]) == {"B7", "b7"}


def test_a_cylinder_written_in_two_ways_is_one_where_no_table_of_cylinders_says_which(tables) -> None:
    row = int(tables.calibrations.index[tables.calibrations["cylinder_id"] == "CO-0"][0]) + 1
    spoilt = tables.changed("calibrations", row, cylinder_id="co-0")
    fleet = Fleet.from_tables(spoilt.sensors, spoilt.calibrations)
    assert found(fleet, "name written otherwise")["value"].tolist() == ["co-0"] and cell(fleet, row, "cylinder_id") == "CO-0"
