"""Files written whole or not at all, and cells that no spreadsheet runs."""

from __future__ import annotations

import csv
import io
import os
import subprocess

import numpy as np
import openpyxl
import pandas as pd
import pytest

from sensorhealth import nomenclature
from sensorhealth.errors import OutputError
from sensorhealth.records import read_fleet
from sensorhealth.records.outputs import (
    csv_bytes,
    csv_piece,
    neutralise,
    plain,
    whole_days,
    with_hours,
    write_file,
    write_folder,
)  # fmt: skip
from sensorhealth.records.workbooks import workbook_bytes


def test_csv_has_iso_dates_line_feeds_and_short_numbers() -> None:
    frame = pd.DataFrame(
        {
            "day": pd.to_datetime(["2024-01-31", None]),
            "time": pd.to_datetime(["2024-01-31 07:05", None]),
            "value": [1 / 3, 1234567.891],
            "flag": [True, False],
            "count": [3, 4],
            "text": ["a,b", None],
        }
    )
    expected = 'day,time,value,flag,count,text\n2024-01-31,2024-01-31T07:05:00,0.333333,true,3,"a,b"\n,,1234568,false,4,\n'
    assert csv_bytes(frame).decode() == expected


@pytest.mark.parametrize("columns", [1, 3])
def test_lines_are_those_of_any_csv_writer(columns: int) -> None:
    """Quotes, commas, line ends and nothing at all, as the standard library's own writer has them."""
    texts = ["plain", 'a "quoted" word', "one, two", "two\nlines", "", None, "ends\r"]
    table = pd.DataFrame({f"column, {k}": texts for k in range(columns)}).assign(number=[1, 2, 3, 4, 5, 6, 7])
    table = table[["column, 0"]] if columns == 1 else table
    rows = [table.columns, *table.astype(object).where(table.notna(), "").itertuples(index=False)]
    wanted = io.StringIO()
    csv.writer(wanted, lineterminator="\n").writerows(rows)
    assert list(csv.reader(io.StringIO(csv_bytes(table).decode(), newline=""))) == [list(map(str, row)) for row in rows]
    assert csv_bytes(table).decode().replace('"ends\r"', "ends\r") == wanted.getvalue().replace('"ends\r"', "ends\r")


def test_days_that_turn_out_to_need_hours_are_written_as_if_that_had_been_known() -> None:
    days = pd.to_datetime(["2026-01-05", None, "2025-12-31"])
    names = ['a, "b"', "two\nlines", ""]
    table = pd.DataFrame({"name": names, "seen": days, "due": days, "value": [1.5, np.nan, -2.0]})
    for header in (True, False):
        short = csv_piece(table, whole_days(table), header=header)
        assert with_hours(short, [1], header=header) == csv_piece(table, {**whole_days(table), "seen": False}, header=header)


def test_numbers_written_in_full_read_back_the_same() -> None:
    values = np.random.default_rng(1).normal(size=200) * 10.0 ** np.arange(-100, 100)
    text = csv_bytes(pd.DataFrame({"value": values}), digits=None).decode().split()[1:]
    assert [float(cell) for cell in text] == values.tolist()


@pytest.mark.parametrize("cell", ["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", "＝1+1"])
def test_a_cell_that_a_spreadsheet_would_run_is_neutralised(cell: str) -> None:
    assert neutralise(cell).startswith("'")
    assert plain(neutralise(cell)) == cell
    assert csv_bytes(pd.DataFrame({"text": [cell]})).decode().split("\n", 1)[1].lstrip('"').startswith("'")


@pytest.mark.parametrize("cell", ["-5", "+1e3", "H2S", "a=b"])
def test_harmless_cells_stay_as_they_are(cell: str) -> None:
    assert neutralise(cell) == cell


def test_the_new_folder_replaces_the_files_of_the_earlier_run_and_keeps_others(tmp_path) -> None:
    out = tmp_path / "out"
    write_folder({"a.csv": b"1", "b.csv": b"2"}, out)
    (out / "my notes.txt").write_text("keep me")
    write_folder({"a.csv": b"3", "deep/c.csv": lambda path: path.write_bytes(b"4")}, out)
    assert sorted(path.name for path in out.iterdir() if not path.name.startswith(".")) == [
        "a.csv",
        "deep",
        "my notes.txt",
    ]
    assert (out / "a.csv").read_bytes() == b"3" and (out / "deep/c.csv").read_bytes() == b"4"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_a_failing_writer_leaves_the_old_output_whole(tmp_path) -> None:
    out = tmp_path / "out"
    write_folder({"a.csv": b"old"}, out)

    def broken(path) -> None:
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match=r"^cannot write .*the disk is full"):
        write_folder({"a.csv": b"new", "b.csv": broken}, out)
    assert (out / "a.csv").read_bytes() == b"old"
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def tree(folder) -> dict[str, bytes]:
    """What a folder holds, but for hidden files."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith(".")
    }


def test_a_folder_that_holds_files_of_others_takes_the_output_and_keeps_them(tmp_path) -> None:
    (tmp_path / "deep").mkdir()
    (tmp_path / "thesis.doc").write_bytes(b"years of work")
    (tmp_path / "deep" / "data.csv").write_bytes(b"theirs")
    number = (tmp_path / "thesis.doc").stat().st_ino
    theirs = {"thesis.doc": b"years of work", "deep/data.csv": b"theirs"}
    write_folder({"a.csv": b"1", "deep/b.csv": b"2"}, tmp_path)
    assert tree(tmp_path) == theirs | {"a.csv": b"1", "deep/b.csv": b"2"}
    write_folder({"a.csv": b"3", "far/c.csv": lambda path: path.write_bytes(b"4")}, tmp_path)
    assert tree(tmp_path) == theirs | {"a.csv": b"3", "far/c.csv": b"4"}
    write_folder({"a.csv": b"5"}, tmp_path)
    assert tree(tmp_path) == theirs | {"a.csv": b"5"} and not (tmp_path / "far").exists()
    assert (tmp_path / "thesis.doc").stat().st_ino == number


@pytest.mark.parametrize("name", ["a.csv", "deep/b.csv", "link/c.csv", "file/d.csv", "deep"])
def test_a_file_of_others_is_never_written_over_and_nothing_is_changed(tmp_path, name: str) -> None:
    out = tmp_path / "out"
    (out / "deep").mkdir(parents=True)
    (tmp_path / "elsewhere").mkdir()
    for path in ("a.csv", "deep/b.csv", "file"):
        (out / path).write_bytes(b"theirs")
    (out / "link").symlink_to(tmp_path / "elsewhere")
    before = tree(out)
    with pytest.raises(OutputError, match=rf"{name.split('/')[0]}.* was not written by this program; move it away or choose"):
        write_folder({"new.csv": b"1", name: b"ours"}, out)
    assert tree(out) == before and not any((tmp_path / "elsewhere").iterdir())
    assert sorted(path.name for path in out.iterdir()) == ["a.csv", "deep", "file", "link"]


def test_a_file_that_its_owner_put_into_a_folder_of_the_output_stays(tmp_path) -> None:
    out = tmp_path / "out"
    write_folder({"deep/a.csv": b"1"}, out)
    (out / "deep" / "mine.txt").write_bytes(b"keep me")
    write_folder({"b.csv": b"2"}, out)
    assert tree(out) == {"deep/mine.txt": b"keep me", "b.csv": b"2"}


def test_a_file_whose_place_its_owner_took_with_a_folder_is_refused(tmp_path) -> None:
    out = tmp_path / "out"
    write_folder({"a.csv": b"1"}, out)
    (out / "a.csv").unlink()
    (out / "a.csv").mkdir()
    (out / "a.csv" / "mine.txt").write_bytes(b"keep me")
    with pytest.raises(OutputError, match="was not written by this program"):
        write_folder({"a.csv": b"2"}, out)
    assert tree(out) == {"a.csv/mine.txt": b"keep me"}


@pytest.mark.parametrize("strange", [False, True])
def test_the_parts_of_an_output_stand_side_by_side(tmp_path, strange: bool) -> None:
    out = tmp_path / "out"
    out.mkdir()
    if strange:
        (out / "notes.txt").write_bytes(b"theirs")
    write_folder({"report.html": b"1", "lots.csv": b"2"}, out, part="report")
    write_folder({"lots.csv": b"3"}, out, part="lots")
    ours = tree(out).items() - {("notes.txt", b"theirs")}
    assert dict(ours) == {"report.html": b"1", "lots.csv": b"3"}
    write_folder({"plan.csv": b"4"}, out, part="report")
    assert dict(tree(out).items() - {("notes.txt", b"theirs")}) == {"plan.csv": b"4", "lots.csv": b"3"}


def test_the_folder_in_which_someone_stands_is_kept(tmp_path, monkeypatch) -> None:
    write_folder({"a.csv": b"1"}, tmp_path / "out")
    monkeypatch.chdir(tmp_path / "out")
    write_folder({"a.csv": b"2"}, ".")
    assert (tmp_path / "out" / "a.csv").read_bytes() == b"2" and os.listdir(".") == os.listdir(tmp_path / "out")


@pytest.mark.parametrize("strange", [False, True])
def test_a_failing_writer_leaves_an_existing_folder_as_it_was(tmp_path, strange: bool) -> None:
    out = tmp_path / "out"
    write_folder({"a.csv": b"old"}, out)
    if strange:
        (out / "notes.txt").write_bytes(b"theirs")
    before = sorted(os.listdir(out))

    def stopped(path) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        write_folder({"a.csv": b"new", "b.csv": stopped}, out)
    assert (out / "a.csv").read_bytes() == b"old" and sorted(os.listdir(out)) == before
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_the_input_is_never_written_over(tmp_path) -> None:
    source = tmp_path / "fleet"
    write_folder({"sensors.csv": b"1"}, source)
    for out in (source, source / "report", tmp_path):
        with pytest.raises(OutputError, match="input"):
            write_folder({"a.csv": b"1"}, out, protect=[source])


@pytest.mark.parametrize("name", ["../a.csv", "/etc/a.csv", "", "a\\b", "a/../../b"])
def test_names_that_lead_out_of_the_folder_are_refused(name: str, tmp_path) -> None:
    with pytest.raises(OutputError, match="plain name"):
        write_folder({name: b"1"}, tmp_path / "out")


@pytest.mark.parametrize("name", ["fleet", "fleet.xlsx"])
def test_a_fleet_that_is_written_reads_back_the_same(tables, tmp_path, name: str) -> None:
    hostile = {"technician": '=HYPERLINK("http://x")', "outcome": "fail", "cylinder_id": "@1", "headroom": 1 / 3}
    fleet = tables.changed("calibrations", 3, **hostile).changed("sensors", 1, lot="-1+2", site=" <b>&amp;").fleet()
    fleet.write(tmp_path / name)
    again = read_fleet(tmp_path / name)
    for table in nomenclature.TABLES_IN:
        columns = list(nomenclature.columns(table))
        one, other = (getattr(f, table)[columns] for f in (fleet, again))
        if table == "calibrations":
            order = ["sensor_id", "time"]
            one, other = (f.sort_values(order, ignore_index=True) for f in (one, other))
        pd.testing.assert_frame_equal(one, other)


def test_no_cell_of_a_written_workbook_is_a_formula_and_its_bytes_are_its_contents(tables, tmp_path) -> None:
    frame = pd.DataFrame({"=1+1": ["=1+1", "+1+1", "\x01\x02", "-5"], "time": pd.to_datetime(["2024-01-01"] * 4)})
    content = workbook_bytes({"a": frame})
    (tmp_path / "a.xlsx").write_bytes(content)
    book = openpyxl.load_workbook(tmp_path / "a.xlsx")
    cells = [cell for row in book["a"].iter_rows() for cell in row]
    assert not any(cell.data_type == "f" for cell in cells)
    assert [cell.value for cell in cells][:4] == ["'=1+1", "time", "'=1+1", pd.Timestamp("2024-01-01").to_pydatetime()]
    assert workbook_bytes({"a": frame}) == content


def test_a_file_is_replaced_in_one_step_and_never_over_the_input(tmp_path) -> None:
    write_file(b"1", tmp_path / "a.bin")
    write_file(b"2", tmp_path / "a.bin")
    assert (tmp_path / "a.bin").read_bytes() == b"2" and [path.name for path in tmp_path.iterdir()] == ["a.bin"]
    with pytest.raises(OutputError, match="input"):
        write_file(b"3", tmp_path / "a.bin", protect=[tmp_path / "a.bin"])


def test_a_folder_that_can_only_be_read_is_one_clear_line(tmp_path) -> None:
    with pytest.raises(OutputError, match=r"^cannot write /proc/[^\n]+; the earlier output, if any, is untouched$"):
        write_folder({"a.csv": b"1"}, "/proc/nowhere/out")


def test_a_full_disk_is_one_clear_line_and_the_old_output_stays(tmp_path) -> None:
    """On a real small file system where the test may mount one; the same error from the system elsewhere."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(place)], capture_output=True)
    if mounted.returncode:
        pytest.skip("a small file system cannot be mounted here")
    try:
        write_folder({"a.csv": b"old"}, place / "out")
        with pytest.raises(OutputError, match=r"^cannot write .*the disk is full: free some space"):
            write_folder({"a.csv": b"x" * 10**6}, place / "out")
        assert (place / "out" / "a.csv").read_bytes() == b"old"
        assert [path.name for path in place.iterdir()] == ["out"]
        write_folder({"a.csv": b"1"}, place)  # the mounted folder itself cannot change places
        with pytest.raises(OutputError, match=r"^cannot write .*the disk is full: free some space"):
            write_folder({"a.csv": b"x" * 10**6}, place)
        assert (place / "a.csv").read_bytes() == b"1" and (place / "out" / "a.csv").read_bytes() == b"old"
        assert sorted(path.name for path in place.iterdir() if path.name != ".sensorhealth.json") == ["a.csv", "out"]
    finally:
        subprocess.run(["umount", str(place)], check=True)
