"""The account that a person reads before trusting a forecast."""

from __future__ import annotations

from sensorhealth.records import Fleet, check_lines


def test_the_account_says_that_no_row_was_lost_and_what_was_found(tables) -> None:
    fleet = tables.changed("calibrations", 7, sensor_id="X\x1b[31m999").fleet()
    text = "\n".join(check_lines(fleet))
    assert "calibrations: 120 rows in = 119 used + 1 set aside" in text
    assert "unknown sensor" in text and "row 7, sensor_id 'X?[31m999'" in text
    assert "calibrations.headroom" in text and "\x1b" not in text


def test_the_long_account_shows_every_finding_and_every_column(tables) -> None:
    spoilt = tables.changed("calibrations", 7, sensor_id="X1").changed("calibrations", 9, sensor_id="X2")
    short, long = (check_lines(spoilt.fleet(), long=long) for long in (False, True))
    assert sum("unknown sensor" in line for line in short) == 1 and sum("unknown sensor" in line for line in long) == 2


def test_a_clean_account_says_so(tables) -> None:
    assert "Findings: none" in check_lines(tables.fleet())


def test_sensors_told_from_their_calibrations_are_counted(tables) -> None:
    facts = tables.sensors[["sensor_id", "gas", "technology", "unit"]]
    lines = check_lines(Fleet.from_tables(None, tables.calibrations.merge(facts, on="sensor_id")))
    assert "sensors: no table; 12 told from the calibrations" in lines
    assert "cylinders: no table, or no row in it" in lines
    assert not any(line.startswith("cylinders.") for line in lines)


def test_every_line_fits_a_page_and_says_what_was_not_read(tables) -> None:
    spoilt = tables.changed("sensors", 1, technology="widget").changed("calibrations", 1, headroom="over range" * 9)
    spoilt.calibrations["Shelf mark"] = 1.0
    lines = check_lines(spoilt.fleet())
    assert max(len(line) for line in lines) <= 160
    assert any(line.split() == ["calibrations", "Shelf", "mark", "not", "read"] for line in lines)
