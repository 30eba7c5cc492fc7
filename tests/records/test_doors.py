"""Every door gives the same fleet, and what cannot be read is one clear error."""

from __future__ import annotations

import gzip
import sqlite3
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as parquet
import pytest

from sensorhealth import nomenclature
from sensorhealth.errors import RecordsError
from sensorhealth.records import Fleet, read_fleet


def same(one: Fleet, other: Fleet) -> None:
    for name in nomenclature.TABLES_IN:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name))


def rewritten(tables, folder: Path, change) -> Path:
    """The fleet as CSV, its calibrations' text changed by `change` (str -> bytes)."""
    path = tables.write(folder) / "calibrations.csv"
    path.write_bytes(change(path.read_text()))
    return folder


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.encode("utf-8-sig"),
        lambda text: text.encode("utf-16"),
        lambda text: text.encode("utf-16-le"),
        lambda text: text.encode("utf-16-be"),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.replace("\n", "\r").encode(),
        lambda text: text.replace("\n", "\r\n", 40).encode(),
        lambda text: text.replace(",", "\t").encode(),
        lambda text: text.replace(",", "|").encode(),
        lambda text: (
            text.replace(",", ";")
            .replace(".", ",")
            .replace("A, Rahman", "A. Rahman")
            .replace("B, Okoye", "B. Okoye")
            .replace("C, Lind", "C. Lind")
            .encode()
        ),
        lambda text: ("sep=;\n" + text.replace(",", ";")).encode(),
        lambda text: text.replace("\n", "\n\n").encode(),
        lambda text: ("\n\n" + text).encode(),
        lambda text: text.rstrip("\n").encode(),
        lambda text: "\n".join(",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()).encode(),
        lambda text: "\n".join(line + "," * 185 for line in text.splitlines()).encode(),
    ],
    ids=[
        "BOM",
        "UTF-16",
        "UTF-16LE",
        "UTF-16BE",
        "CRLF",
        "CR",
        "mixed line ends",
        "tabs",
        "bars",
        "decimal commas",
        "sep line",
        "empty lines",
        "leading empty lines",
        "no last line end",
        "quotes",
        "200 columns",
    ],
)
def test_a_csv_is_read_however_it_was_written(tables, tmp_path: Path, change) -> None:
    fleet = read_fleet(rewritten(tables, tmp_path, change))
    same(fleet, tables.fleet())
    assert fleet.findings.empty


def test_letters_of_an_older_encoding_are_read(tables, tmp_path: Path) -> None:
    folder = rewritten(tables, tmp_path, lambda text: text.replace("C. Lind", "C. Lindström").encode("cp1252"))
    assert "C. Lindström" in set(read_fleet(folder).calibrations["technician"])


def test_rows_with_too_few_or_too_many_cells_are_set_aside_by_number(tables, tmp_path: Path) -> None:
    def change(text: str) -> bytes:
        lines = text.splitlines()
        lines[3] += ",extra,cells"
        lines[5] = lines[5].rsplit(",", 2)[0]
        return "\n".join(lines).encode()

    fleet = read_fleet(rewritten(tables, tmp_path, change))
    assert fleet.findings[["row", "finding", "done"]].values.tolist() == [
        [3, "broken row", "set aside"],
        [5, "broken row", "set aside"],
    ]
    assert fleet.reconciliation["rows_set_aside"].tolist() == [0, 2, 0]
    assert set(range(1, 121)) - set(fleet.calibrations["row"]) == {3, 5}


def test_an_unclosed_quote_never_swallows_rows_in_silence(tables, tmp_path: Path) -> None:
    folder = rewritten(
        tables, tmp_path, lambda text: text.replace("A. Rahman", '"A. Rahman', 1).replace("C. Lind", 'C. Lind"', 1).encode()
    )
    with pytest.raises(RecordsError, match=r"calibrations\.csv: row \d+, column .*a quote is opened and not closed"):
        read_fleet(folder)


def test_a_line_end_within_a_quoted_remark_is_no_error(tables, tmp_path: Path) -> None:
    spoilt = tables.calibrations.assign(remark="cap was loose,\nput right", technician='D. "Dee" Moss')
    fleet = Fleet.from_tables(tables.sensors, spoilt, tables.cylinders)
    tables.write(tmp_path)
    spoilt.to_csv(tmp_path / "calibrations.csv", index=False)
    same(read_fleet(tmp_path), fleet)


def test_a_packed_csv_reads_the_same(tables, tmp_path: Path) -> None:
    path = tables.write(tmp_path) / "calibrations.csv"
    (tmp_path / "calibrations.csv.gz").write_bytes(gzip.compress(path.read_bytes()))
    path.unlink()
    same(read_fleet(tmp_path), tables.fleet())


def test_parts_of_a_table_are_read_one_after_the_other(tables, tmp_path: Path) -> None:
    path = tables.write(tmp_path) / "calibrations.csv"
    path.unlink()
    (tmp_path / "calibrations").mkdir()
    tables.calibrations.iloc[:50].to_parquet(tmp_path / "calibrations" / "2021a.parquet")
    tables.calibrations.iloc[50:].to_csv(tmp_path / "calibrations" / "2021b.csv", index=False)
    same(read_fleet(tmp_path), tables.fleet())


def test_parquet_reads_the_same_and_only_the_columns_of_the_contract(tables, tmp_path: Path, monkeypatch) -> None:
    for name in nomenclature.TABLES_IN:
        getattr(tables, name).assign(photo="x" * 1000).to_parquet(tmp_path / f"{name}.parquet", row_group_size=17)
    asked: list[list[str]] = []
    read = parquet.ParquetFile.read_row_group
    monkeypatch.setattr(
        parquet.ParquetFile, "read_row_group", lambda self, i, columns: asked.append(columns) or read(self, i, columns=columns)
    )
    same(read_fleet(tmp_path), tables.fleet())
    assert len(asked) > 8 and not any("photo" in columns for columns in asked)


@pytest.mark.parametrize("kind", ["dictionary", "decimal", "zoned", "date", "integer ids"])
def test_parquet_types_of_other_writers_are_understood(tables, tmp_path: Path, kind: str) -> None:
    calibrations = pa.Table.from_pandas(tables.calibrations, preserve_index=False)
    place = {name: number for number, name in enumerate(calibrations.column_names)}
    change = {
        "dictionary": ("sensor_id", lambda c: c.dictionary_encode()),
        "decimal": ("applied", lambda c: c.cast(pa.decimal128(12, 3))),
        "zoned": ("time", lambda c: c.cast(pa.timestamp("ms", tz="UTC")).cast(pa.timestamp("ms", tz="Asia/Tokyo"))),
        "date": ("time", lambda c: c.cast(pa.timestamp("s"), safe=False)),
        "integer ids": ("technician", lambda c: pa.chunked_array([pa.array(range(len(c)))])),
    }[kind]
    table = calibrations.set_column(place[change[0]], change[0], change[1](calibrations.column(change[0])))
    tables.write(tmp_path)
    (tmp_path / "calibrations.csv").unlink()
    parquet.write_table(table, tmp_path / "calibrations.parquet")
    fleet = read_fleet(tmp_path)
    if kind == "integer ids":
        assert set(fleet.calibrations["technician"]) == {str(number) for number in range(120)}
    else:
        same(fleet, tables.fleet())


def test_a_workbook_with_three_sheets_reads_the_same(tables, tmp_path: Path) -> None:
    path = tmp_path / "fleet.xlsx"
    with pd.ExcelWriter(path) as book:
        for name in nomenclature.TABLES_IN:
            getattr(tables, name).to_excel(book, sheet_name=name.title(), index=False)
    same(read_fleet(path), tables.fleet())


def test_an_sqlite_file_reads_the_same_and_is_not_changed(tables, tmp_path: Path) -> None:
    path = tmp_path / "fleet.sqlite"
    connection = sqlite3.connect(path)
    for name in nomenclature.TABLES_IN:
        getattr(tables, name).to_sql(name, connection, index=False)
    connection.execute("create view shown as select * from calibrations")
    connection.close()
    before = path.read_bytes()
    same(read_fleet(path), tables.fleet())
    same(read_fleet(path, mapping={"calibrations": {"table": "shown"}}), tables.fleet())
    assert path.read_bytes() == before and [entry.name for entry in tmp_path.iterdir()] == ["fleet.sqlite"]


def test_frames_of_any_dtype_read_the_same(tables) -> None:
    for change in (
        lambda f: f.astype(object),
        lambda f: f.convert_dtypes(),
        lambda f: f.astype({"gas": "category"} if "gas" in f else {"kind": "category"}),
    ):
        given = Fleet.from_tables(change(tables.sensors), change(tables.calibrations), change(tables.cylinders))
        same(given, tables.fleet())


def test_the_given_frames_are_not_changed(tables) -> None:
    before = [getattr(tables, name).copy() for name in nomenclature.TABLES_IN]
    tables.changed("calibrations", 3, headroom=-1.0).fleet()
    tables.fleet()
    for name, frame in zip(nomenclature.TABLES_IN, before, strict=True):
        pd.testing.assert_frame_equal(getattr(tables, name), frame)


def test_numbers_of_every_form_are_read(tables) -> None:
    texts = ["25", " 25 ", "25.0", "2.5e1", "+25", "2 5", "25.", "'25"]
    given = tables.calibrations.assign(
        applied=[texts[row % len(texts)] for row in range(120)], headroom=np.nan, as_found=np.nan, as_left=np.nan
    )
    fleet = Fleet.from_tables(tables.sensors, given)
    assert (fleet.calibrations["applied"] == 25.0).all()


TITLES = {
    "a title": "Calibration log of the works\n",
    "a title and a blank line": "\ufeffCalibration log, all sites\n\n",
    "a padded title": "Calibration log" + "," * 14 + "\n" + "printed,2021-12-01" + "," * 13 + "\n",
    "a hint and a title": "sep=,\nCalibration log\n",
}


@pytest.mark.parametrize("title", TITLES)
def test_a_title_above_the_headings_is_said_and_costs_no_row(tables, tmp_path: Path, title: str) -> None:
    folder = tables.write(tmp_path)
    path = folder / "calibrations.csv"
    path.write_text(TITLES[title] + path.read_text())
    fleet = read_fleet(folder)
    assert fleet.calibrations.drop(columns="row").equals(tables.fleet().calibrations.drop(columns="row"))
    assert any("Calibration log" in note and "not read" in note for note in fleet.notes)


def test_a_title_with_semicolons_and_decimal_commas_below_is_no_heading(tables, tmp_path: Path) -> None:
    folder = tables.write(tmp_path)
    path = folder / "calibrations.csv"
    tables.calibrations.to_csv(path, sep=";", decimal=",", index=False)
    path.write_text("Log, 2021\n" + path.read_text())
    assert read_fleet(folder).calibrations["headroom"].tolist() == tables.fleet().calibrations["headroom"].tolist()


def test_a_workbook_with_titles_and_blank_rows_reads_the_same(tables, tmp_path: Path) -> None:
    blank = tables.calibrations.iloc[:2].map(lambda _: None)
    spread = pd.concat([tables.calibrations.iloc[:20], blank, tables.calibrations.iloc[20:], blank])
    with pd.ExcelWriter(tmp_path / "fleet.xlsx") as book:
        tables.sensors.to_excel(book, sheet_name="sensors", index=False)
        spread.to_excel(book, sheet_name="calibrations", index=False, startrow=3)
        tables.cylinders.to_excel(book, sheet_name="cylinders", index=False)
        book.sheets["calibrations"]["A1"] = "Calibration log of the works"
        book.sheets["calibrations"]["A5000"].number_format = "0.00"
    fleet = read_fleet(tmp_path / "fleet.xlsx")
    account = fleet.reconciliation.set_index("table").loc["calibrations"]
    assert len(fleet.calibrations) == len(tables.calibrations) == account["rows_used"]
    assert account["rows_set_aside"] == 2 and (fleet.findings["finding"] == "empty row").sum() == 2
    assert any("Calibration log of the works" in note for note in fleet.notes)


def test_headings_that_are_not_read_may_stand_twice_and_are_shown(tables) -> None:
    remarks = pd.DataFrame([["a", "b", "c"]] * len(tables.calibrations), columns=["Remark", "Remark", "Shelf mark"])
    fleet = Fleet.from_tables(tables.sensors, pd.concat([tables.calibrations, remarks], axis=1), tables.cylinders)
    unread = fleet.understood[fleet.understood["how"] == "not read"]
    assert unread["heading"].tolist() == ["Remark", "Remark (2)", "Shelf mark"]


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_date_and_time_of_day_in_two_columns_are_joined_by_a_mapping(tables, tmp_path: Path, form: str) -> None:
    time = tables.calibrations["time"]
    split = tables.calibrations.drop(columns="time").assign(Date=time.dt.normalize(), Time=time.dt.time)
    if form == "csv":
        folder = tables.write(tmp_path)
        split.to_csv(folder / "calibrations.csv", index=False, date_format="%d.%m.%Y")
    else:
        folder = tmp_path / "fleet.xlsx"
        with pd.ExcelWriter(folder) as book:
            tables.sensors.to_excel(book, sheet_name="sensors", index=False)
            split.to_excel(book, sheet_name="calibrations", index=False)
    with pytest.raises(RecordsError, match=r"times of day without a date, like .*join it in a mapping"):
        read_fleet(folder)
    fleet = read_fleet(folder, mapping={"calibrations": {"columns": {"time": ["Date", "Time"]}}})
    assert fleet.calibrations["time"].tolist() == tables.fleet().calibrations["time"].tolist()
