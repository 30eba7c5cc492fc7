"""The user's own names, units, formats and kinds, and what is never guessed."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth import nomenclature
from sensorhealth.errors import RecordsError
from sensorhealth.records import Fleet, RecordsMapping, read_fleet, suggest_mapping, understood


def same(one: Fleet, other: Fleet, **tolerance: float) -> None:
    for name in nomenclature.TABLES_IN:
        left, right = (getattr(fleet, name).drop(columns="outcome_recorded", errors="ignore") for fleet in (one, other))
        pd.testing.assert_frame_equal(left, right, **tolerance)


FOREIGN = """
timezone = "Europe/Berlin"
decimal = ","
[calibrations]
table = "protokoll"
[calibrations.columns]
sensor_id = "Seriennummer"
time = "Zeitpunkt"
outcome = "Ergebnis"
temperature_c = "Temp F"
applied = "Gas"
[calibrations.values.outcome]
"bestanden" = "pass"
[calibrations.units]
temperature_c = "degF"
[calibrations.constants]
kind = "full"
[calibrations.date_formats]
time = "%d.%m.%y %H:%M"
"""


def test_a_foreign_table_reads_like_the_contracts_own(tables, tmp_path: Path) -> None:
    tables.write(tmp_path)
    (tmp_path / "calibrations.csv").unlink()
    local = tables.calibrations["time"].dt.tz_localize("UTC").dt.tz_convert("Europe/Berlin").dt.strftime("%d.%m.%y %H:%M")
    foreign = tables.calibrations.assign(
        time=local, outcome="bestanden", temperature_c=tables.calibrations["temperature_c"] * 1.8 + 32
    )
    foreign = foreign.drop(columns="kind").rename(
        columns={
            "sensor_id": "Seriennummer",
            "time": "Zeitpunkt",
            "outcome": "Ergebnis",
            "temperature_c": "Temp F",
            "applied": "Gas",
        }
    )
    foreign.to_csv(tmp_path / "Protokoll.csv", sep=";", decimal=",", index=False)
    (tmp_path / "mapping.toml").write_text(FOREIGN)
    fleet = read_fleet(tmp_path, mapping=tmp_path / "mapping.toml")
    same(fleet, tables.fleet(), rtol=1e-12)
    assert set(fleet.calibrations["outcome_recorded"]) == {"bestanden"}
    shown = understood(fleet).set_index(["table", "column"])
    assert shown.loc[("calibrations", "sensor_id"), "heading"] == "Seriennummer"
    assert shown.loc[("calibrations", "kind"), "heading"] == "= full"


@pytest.mark.parametrize("kind", ["excess", "ratio", "percent"])
def test_each_kind_of_headroom_becomes_a_reading(tables, kind: str) -> None:
    applied, headroom = tables.calibrations["applied"], tables.calibrations["headroom"]
    recorded = {"excess": headroom - applied, "ratio": headroom / applied, "percent": 100 * headroom / applied}[kind]
    fleet = Fleet.from_tables(
        tables.sensors, tables.calibrations.assign(headroom=recorded), tables.cylinders, mapping={"headroom_kind": kind}
    )
    same(fleet, tables.fleet(), rtol=1e-9)


@pytest.mark.parametrize("kind", ["excess", "ratio", "percent"])
def test_a_kind_that_the_numbers_contradict_is_asked_about_not_guessed(tables, kind: str) -> None:
    applied, headroom = tables.calibrations["applied"], tables.calibrations["headroom"] * 0.75  # sensors in mid-life
    recorded = {"excess": headroom - applied, "ratio": headroom / applied, "percent": 100 * headroom / applied}[kind]
    with pytest.raises(RecordsError, match="state headroom_kind"):
        Fleet.from_tables(tables.sensors, tables.calibrations.assign(headroom=recorded), tables.cylinders)


def test_a_headroom_whose_gas_is_nowhere_told_is_asked_about(tables) -> None:
    bare, labels = tables.calibrations.assign(applied=np.nan), tables.cylinders
    with pytest.raises(RecordsError, match=r"nowhere is the concentration that was applied.*headroom_kind = 'ratio'"):
        Fleet.from_tables(tables.sensors, bare)
    assert Fleet.from_tables(tables.sensors, bare, labels).calibrations["headroom"].notna().all()
    some = tables.calibrations.assign(applied=tables.calibrations["applied"].where(tables.calibrations.index >= 7))
    notes = " ".join(Fleet.from_tables(tables.sensors, some).notes)
    assert "7 calibrations record a headroom, but neither they nor the label of a cylinder say" in notes


def test_a_stated_reading_is_believed(tables) -> None:
    odd = tables.calibrations.assign(headroom=tables.calibrations["headroom"] * 3)
    with pytest.raises(RecordsError, match="headroom_kind"):
        Fleet.from_tables(tables.sensors, odd, tables.cylinders)
    assert len(Fleet.from_tables(tables.sensors, odd, tables.cylinders, mapping={"headroom_kind": "reading"}).calibrations) == 120


@pytest.mark.parametrize(("basis", "expected"), [(4.4, 2.2 / 4.4 * 100), (5.0, 2.2 / 5.0 * 100)])
def test_methane_in_percent_by_volume_follows_the_stated_basis(tables, basis: float, expected: float) -> None:
    methane = tables.calibrations[tables.calibrations["sensor_id"].isin(["S003", "S007", "S011"])].assign(
        applied=2.2, cylinder_id=""
    )
    sensors = tables.sensors[tables.sensors["gas"] == "CH4"].drop(columns="lel_basis")
    fleet = Fleet.from_tables(sensors, methane, mapping={"lel_basis": basis, "calibrations": {"units": {"applied": "%vol"}}})
    assert fleet.calibrations["applied"].to_numpy() == pytest.approx(expected)
    assert (fleet.sensors["lel_basis"] == basis).all()


def test_percent_lel_without_a_basis_is_not_converted(tables) -> None:
    methane = tables.calibrations[tables.calibrations["sensor_id"] == "S003"].assign(applied=2.2, headroom=np.nan)
    sensors = tables.sensors[tables.sensors["gas"] == "CH4"].drop(columns="lel_basis")
    fleet = Fleet.from_tables(sensors, methane, mapping={"calibrations": {"units": {"applied": "%vol"}}})
    assert fleet.calibrations["applied"].isna().all()
    assert fleet.findings["finding"].tolist()[0] == "unit unknown"


def test_a_unit_column_is_followed_row_by_row(tables) -> None:
    mixed = tables.calibrations.assign(unit="")
    rows = mixed["sensor_id"] == "S001"
    mixed.loc[rows, "unit"] = "vol %"
    for name in ("applied", "zero_offset", "as_found", "as_left", "headroom"):
        mixed.loc[rows, name] /= 1e4
    same(Fleet.from_tables(tables.sensors, mixed, tables.cylinders), tables.fleet(), rtol=1e-9)


def test_dates_that_do_not_prove_their_order_are_asked_about(tables) -> None:
    early = tables.calibrations[tables.calibrations["time"].dt.day <= 12]
    text = early.assign(time=early["time"].dt.strftime("%d/%m/%Y %H:%M"))
    with pytest.raises(RecordsError, match="day first or month first"):
        Fleet.from_tables(tables.sensors, text, tables.cylinders)
    stated = {"calibrations": {"date_formats": {"time": "%d/%m/%Y %H:%M"}}}
    assert (
        Fleet.from_tables(tables.sensors, text, tables.cylinders, mapping=stated).calibrations["time"].isin(early["time"]).all()
    )


def test_one_column_of_dates_proves_the_order_for_the_others(tables) -> None:
    text = tables.calibrations.assign(time=tables.calibrations["time"].dt.strftime("%d/%m/%Y %H:%M"))
    sensors = tables.sensors.assign(
        installed=tables.sensors["installed"].dt.strftime("%d/%m/%Y"),
        warranty_end="31/12/2023",
        manufactured=tables.sensors["manufactured"].dt.strftime("%d/%m/%Y"),
    )
    fleet = Fleet.from_tables(sensors, text, tables.cylinders)
    assert (fleet.sensors["installed"] == pd.Timestamp("2021-01-04")).all()


def test_a_date_that_can_only_be_read_the_other_way_round_is_listed(tables) -> None:
    text = tables.calibrations.assign(time=tables.calibrations["time"].dt.strftime("%m/%d/%Y %H:%M"))
    row = int(np.flatnonzero(tables.calibrations["time"].dt.day > 12)[0])
    text.loc[row, "time"] = tables.calibrations["time"].iloc[row].strftime("%d/%m/%Y %H:%M")
    fleet = Fleet.from_tables(tables.sensors, text, tables.cylinders)
    assert fleet.findings[["row", "finding", "done"]].values.tolist() == [[row + 1, "day and month swapped", "corrected"]]
    strict = Fleet.from_tables(tables.sensors, text, tables.cylinders, corrections=False)
    assert strict.findings["done"].tolist() == ["set aside"]


def test_a_comma_that_could_be_either_is_asked_about(tables) -> None:
    text = tables.calibrations.assign(applied="1,250", headroom=np.nan, as_found=np.nan, as_left=np.nan)
    with pytest.raises(RecordsError, match="state decimal"):
        Fleet.from_tables(tables.sensors, text)
    for mark, value in ((",", 1.25), (".", 1250.0)):
        fleet = Fleet.from_tables(tables.sensors, text, mapping={"decimal": mark})
        assert (fleet.calibrations["applied"] == value).all()


def test_calibrations_alone_make_a_fleet_that_says_what_is_missing(tables) -> None:
    carbon = tables.calibrations[tables.calibrations["sensor_id"].isin(["S002", "S006", "S010"])]
    fleet = Fleet.from_tables(None, carbon, mapping={"sensors": {"constants": {"gas": "CO", "technology": "EC", "unit": "ppm"}}})
    assert fleet.sensors["sensor_id"].tolist() == ["S002", "S006", "S010"]
    assert set(fleet.sensors["technology"]) == {"electrochemical"}
    first = carbon.groupby("sensor_id")["time"].min()
    assert fleet.sensors.set_index("sensor_id")["installed"].to_dict() == first.to_dict()
    assert "there is no table of sensors" in " ".join(fleet.notes)
    assert fleet.reconciliation["rows_in"].tolist() == [0, 30, 0]
    facts = tables.sensors.set_index("sensor_id").loc[tables.calibrations["sensor_id"]].reset_index(drop=True)
    whole = pd.concat([tables.calibrations, facts[["gas", "technology", "unit", "site", "lot", "lel_basis"]]], axis=1)
    assert Fleet.from_tables(None, whole).sensors["gas"].value_counts().to_dict() == dict.fromkeys(("H2S", "CO", "CH4", "O2"), 3)


def test_an_instrument_s_number_is_not_taken_for_a_sensing_element(tables) -> None:
    """Records by instrument and gas: the number alone is refused, both together name the element."""
    facts = tables.sensors.set_index("sensor_id").loc[tables.calibrations["sensor_id"]].reset_index(drop=True)
    by_instrument = pd.concat([tables.calibrations, facts[["instrument_id", "gas", "technology", "unit"]]], axis=1)
    by_instrument = by_instrument.drop(columns="sensor_id").rename(columns={"instrument_id": "Instrument"})
    with pytest.raises(RecordsError, match=r"is calibrated for CH4, CO, H2S, O2, so it is no sensing element"):
        Fleet.from_tables(None, by_instrument, mapping={"calibrations": {"columns": {"sensor_id": "Instrument"}}})
    both = {"calibrations": {"columns": {"sensor_id": ["Instrument", "gas"]}}}
    fleet = Fleet.from_tables(None, by_instrument, tables.cylinders, mapping=both)
    assert set(fleet.sensors["sensor_id"]) >= {"I1/CH4", "I1/CO", "I1/H2S", "I1/O2"}
    assert len(fleet.sensors) == 12 and len(fleet.calibrations) == 120


def test_ratios_without_any_gas_are_kept_as_ratios(tables) -> None:
    ratio = (tables.calibrations["headroom"] / tables.calibrations["applied"]).round(4)
    alone = tables.calibrations[["sensor_id", "time", "kind", "outcome"]].assign(headroom=ratio)
    carbon = alone[alone["sensor_id"].isin(["S001", "S002", "S003"])]
    fleet = Fleet.from_tables(tables.sensors, carbon, mapping={"headroom_kind": "ratio"})
    kept = fleet.calibrations.set_index("row")
    assert (kept["headroom"] / kept["applied"]).loc[1] == pytest.approx(carbon["headroom"].iloc[0])
    assert any("on a gas of 1" in note for note in fleet.notes)


def test_calibrations_alone_without_a_technology_are_asked_about(tables) -> None:
    with pytest.raises(RecordsError, match=r"no column 'gas' here; name one in"):
        Fleet.from_tables(None, tables.calibrations)


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("headroom_kind = 'gauge'", "must be one of reading, excess, ratio, percent"),
        ("lel_basis = 44", "must be %vol between"),
        ("timezone = 'Mars/Olympus'", "is not known; write it like"),
        ("decimals = ','", "'decimals' is not known here"),
        ("[calibrations.columns]\nserial = 'x'", "'serial' is not known here"),
        ("[calibrations.columns]\nsensor_id = 'Sensor_ID'\ntime = 'tiem'", "is not there; is it 'time'"),
        ("[calibrations.units]\ntemperature_c = 'warm'", "must be one of degC, degF, K"),
        ("calibrations = 3", "must be a table of keys"),
        ("headroom_kind = ", "is not valid TOML"),
        ("[calibrations.date_formats]\ntime = '%Q'", "is not valid"),
    ],
)
def test_a_mapping_that_cannot_be_meant_is_one_clear_error(tables, tmp_path: Path, text: str, error: str) -> None:
    tables.write(tmp_path)
    (tmp_path / "mapping.toml").write_text(text)
    with pytest.raises(RecordsError, match=error):
        read_fleet(tmp_path, mapping=tmp_path / "mapping.toml")


def test_a_mapping_that_is_not_there_is_one_clear_error(tables, tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="the mapping cannot be read"):
        read_fleet(tables.write(tmp_path), mapping=tmp_path / "none.toml")


def test_a_suggested_mapping_reads_records_under_trade_names(tables, tmp_path: Path) -> None:
    tables.sensors.rename(
        columns={
            "sensor_id": "Serial No.",
            "gas": "Target gas",
            "technology": "Measuring principle",
            "installed": "Install date",
            "unit": "Units",
            "lot": "Batch",
        }
    ).to_csv(tmp_path / "register.csv", index=False)
    tables.calibrations.rename(
        columns={
            "sensor_id": "Serial number",
            "time": "Calibration date",
            "kind": "Test type",
            "outcome": "Result",
            "headroom": "Highest reading",
            "applied": "Span gas",
            "cylinder_id": "Bottle",
            "technician": "Performed by",
            "span_gain": "Gain",
            "response_seconds": "T90 (s)",
        }
    ).to_csv(tmp_path / "cal log.csv", index=False)
    tables.cylinders.rename(
        columns={"cylinder_id": "Cylinder no", "expires": "Expiry date", "concentration": "Certified value"}
    ).to_csv(tmp_path / "bottles.csv", index=False)
    text = suggest_mapping(tmp_path)
    assert RecordsMapping.of(tomllib.loads(text)).tables["calibrations"].table == "cal log"
    (tmp_path / "mapping.toml").write_text(text)
    same(read_fleet(tmp_path, mapping=tmp_path / "mapping.toml"), tables.fleet())


def test_what_a_suggestion_cannot_know_stands_as_a_question(tables, tmp_path: Path) -> None:
    early = tables.calibrations[tables.calibrations["time"].dt.day <= 12]
    early.assign(time=early["time"].dt.strftime("%d/%m/%Y"), outcome="bestanden", temp_f=70.0).rename(
        columns={"temperature_c": "Temperature (°F)"}
    ).to_csv(tmp_path / "calibrations.csv", index=False)
    text = suggest_mapping(tmp_path)
    assert '# time = "%d/%m/%Y"' in text and '# "bestanden" = ""' in text and 'temperature_c = "degF"' in text
    assert '# technology = "electrochemical"' in text and "# headroom_kind" in text and "temp_f" in text
    assert tomllib.loads(text)


def test_what_was_understood_is_shown_for_every_column(tables) -> None:
    shown = understood(tables.changed("calibrations", 3, headroom="x").fleet()).set_index(["table", "column"])
    assert len(shown) == sum(len(nomenclature.columns(name)) for name in nomenclature.TABLES_IN)
    row = shown.loc[("calibrations", "headroom")]
    assert (row["filled"], row["unreadable"], row["missing"]) == (119, 1, 0)
    assert shown.loc[("sensors", "gas"), "example"] == "H2S, CO, CH4, O2"
    assert shown.loc[("calibrations", "time"), "lowest"] == "2021-02-01T08:00:00"


def test_gains_without_their_limit_are_said_to_tell_nothing(tables) -> None:
    gains = tables.calibrations.drop(columns="headroom")
    bare = Fleet.from_tables(tables.sensors.drop(columns="gain_limit"), gains, tables.cylinders)
    assert any(note.startswith("120 calibrations record a span gain and no headroom") for note in bare.notes)
    assert not any("no gain limit" in note for note in Fleet.from_tables(tables.sensors, gains, tables.cylinders).notes)


def test_what_a_mapping_says_of_a_column_is_shown_with_it(tables) -> None:
    ratios = tables.calibrations.assign(
        headroom=(tables.calibrations["headroom"] / tables.calibrations["applied"]).round(4),
        temperature_c=tables.calibrations["temperature_c"] * 1.8 + 32,
    )
    mapping = {"headroom_kind": "ratio", "timezone": "Europe/Paris", "calibrations": {"units": {"temperature_c": "degF"}}}
    fleet = Fleet.from_tables(tables.sensors, ratios, tables.cylinders, mapping=mapping)
    how = understood(fleet).set_index(["table", "column"])["how"]
    assert how["calibrations", "headroom"] == "number, a ratio to the gas"
    assert how["calibrations", "temperature_c"] == "number, in degF"
    assert how["calibrations", "time"].endswith("Europe/Paris to UTC")


FIELD = {
    "Serial No.": "sensor_id", "Date of calibration": "time", "Type of test": "kind", "Gas bottle": "cylinder_id",
    "Span gas value (%vol)": "applied", "Zero reading": "zero_offset", "Reading before": "as_found",
    "Reading after, ppm": "as_left", "Highest reading": "headroom", "Result": "outcome", "Done by": "technician",
}  # fmt: skip


def test_headings_of_the_field_are_guessed_with_their_units_and_the_kind_of_headroom(tables, tmp_path: Path) -> None:
    folder = tables.write(tmp_path)
    field = tables.calibrations.rename(columns={name: heading for heading, name in FIELD.items()})
    field["Highest reading"] -= 1.6 * field["Span gas value (%vol)"]
    field.to_csv(folder / "calibrations.csv", index=False)
    text = suggest_mapping(folder)
    part = tomllib.loads(text)["calibrations"]
    assert {heading: column for column, heading in part["columns"].items() if heading in FIELD} == FIELD
    assert part["units"] == {"applied": "%vol", "as_left": "ppm"}
    assert '# headroom_kind = "excess"' in text and "the numbers do not prove it" in text


def test_a_date_and_a_time_of_day_are_suggested_as_one(tables, tmp_path: Path) -> None:
    folder = tables.write(tmp_path)
    time = tables.calibrations["time"]
    split = tables.calibrations.drop(columns="time").assign(Date=time.dt.date, Time=time.dt.time)
    split.to_csv(folder / "calibrations.csv", index=False)
    text = suggest_mapping(folder)
    assert tomllib.loads(text)["calibrations"]["columns"]["time"] == ["Date", "Time"]
    fleet = read_fleet(folder, mapping=tomllib.loads(text))
    assert fleet.calibrations["time"].tolist() == tables.fleet().calibrations["time"].tolist()


def test_gases_of_unknown_name_are_shown_and_small_figures_are_read(tables, tmp_path: Path) -> None:
    folder = tables.changed("sensors", 1, gas="rotten egg gas").changed("sensors", 5, gas="H\u2082S").write(tmp_path)
    assert '# "rotten egg gas" = ""' in suggest_mapping(folder)
    assert read_fleet(folder).sensors["gas"].iloc[4] == "H2S"


def test_facts_of_the_sensors_are_looked_for_among_the_calibrations_where_they_have_no_table(tables, tmp_path: Path) -> None:
    facts = tables.sensors[["sensor_id", "gas", "technology", "unit", "lot"]].rename(
        columns={"gas": "Gas", "technology": "Type", "unit": "Units", "lot": "Batch"}
    )
    alone = tables.calibrations.merge(facts, on="sensor_id").assign(
        headroom=lambda rows: 100 * rows["headroom"] / rows["applied"]
    )
    alone.rename(columns={"headroom": "Headroom %"}).to_csv(tmp_path / "calibrations.csv", index=False)
    text = suggest_mapping(tmp_path).replace("# headroom_kind", "headroom_kind")
    assert 'headroom_kind = "percent"' in text and "per cent" in text
    columns = tomllib.loads(text)["calibrations"]["columns"]
    assert [columns[name] for name in ("gas", "technology", "unit", "lot")] == ["Gas", "Type", "Units", "Batch"]
    fleet = read_fleet(tmp_path, mapping=tomllib.loads(text))
    assert fleet.sensors["technology"].tolist() == tables.fleet().sensors["technology"].tolist()


def test_a_heading_is_not_taken_for_a_column_whose_words_its_cells_do_not_know(tables, tmp_path: Path) -> None:
    spoken = tables.calibrations.drop(columns="kind").merge(tables.sensors[["sensor_id", "technology"]], on="sensor_id")
    spoken.rename(columns={"technology": "Type"}).to_csv(tmp_path / "calibrations.csv", index=False)
    text = suggest_mapping(tmp_path)
    assert 'kind = "Type"' not in text and 'technology = "Type"' in text and '# kind = "full"' in text
