"""Files written whole or not at all, and cells that no spreadsheet runs."""

from __future__ import annotations

import subprocess

import numpy as np
import openpyxl
import pandas as pd
import pytest

from sensorhealth import nomenclature
from sensorhealth.errors import OutputError
from sensorhealth.records import read_fleet
from sensorhealth.records.outputs import csv_bytes, neutralise, plain, write_file, write_folder
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


def test_a_folder_of_other_files_is_never_replaced(tmp_path) -> None:
    (tmp_path / "thesis.doc").write_text("years of work")
    with pytest.raises(OutputError, match="did not write"):
        write_folder({"a.csv": b"1"}, tmp_path)


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
    finally:
        subprocess.run(["umount", str(place)], check=True)
