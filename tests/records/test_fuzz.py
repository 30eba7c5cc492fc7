"""Whatever comes in: no row is lost, and nothing but a clear error of our own comes out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sensorhealth import nomenclature
from sensorhealth.errors import SensorHealthError
from sensorhealth.records import Fleet, read_fleet
from sensorhealth.records.fleet import AFTER_AS_OF

from .conftest import make_tables

JUNK = [
    "",
    " ",
    "nan",
    "NaN",
    "-",
    "0",
    "-1",
    "1e308",
    "1e-320",
    "inf",
    "-inf",
    "1,5",
    "1.234,5",
    "1,234.5",
    "0x10",
    "1_000",
    "=1+1",
    "'=1",
    "25 ppm",
    "0.0025 %vol",
    "08:30",
    "H\u2082S",
    "25%",
    "<5",
    ">500",
    "true",
    "None",
    "null",
    "2021-13-45",
    "31/12/2021",
    "12/31/2021",
    "2021-02-30",
    "0001-01-01",
    "9999-12-31T23:59:59",
    "20210203",
    "44197.5",
    "1612137600",
    "2021-02-01T08:00:00+14:00",
    "2021-02-01 08:00:00.123456789Z",
    "S001",
    "s001",
    "S 001",
    "H2S",
    "hydrogen sulphide",
    "ppm",
    "%",
    "%vol",
    "pass",
    "PASS ",
    "fail",
    "full",
    "zero",
    "bump",
    "\u0000",
    "\u202e",
    "\ud7ff",
    "ﬀ",
    "Å",
    "é",
    "😀",
    "a" * 5000,
    '"',
    "'",
    ",",
    ";",
    "\t",
    "\n",
    "\r\n",
    "<script>",
    "${jndi}",
    "../../etc",
]


def accounted(fleet: Fleet, given: dict[str, int] | None = None) -> None:
    """Every row in is used once or set aside once, and every row set aside has its finding."""
    account = fleet.reconciliation.set_index("table")
    assert (account["rows_in"] == account["rows_used"] + account["rows_set_aside"]).all()
    for name in nomenclature.TABLES_IN:
        frame = getattr(fleet, name)
        aside = fleet.findings[(fleet.findings["table"] == name) & (fleet.findings["done"] == "set aside")]
        assert len(frame) == account.loc[name, "rows_used"]
        assert aside["count"].sum() == account.loc[name, "rows_set_aside"]
        if (aside["finding"] == AFTER_AS_OF).any():
            continue
        rows = np.concatenate([frame["row"].to_numpy(), aside["row"].to_numpy(dtype=float)])
        assert len(np.unique(rows)) == len(rows) == account.loc[name, "rows_in"]
        if given is not None:
            assert account.loc[name, "rows_in"] == given[name] and set(rows) == set(range(1, given[name] + 1))
        for column, facts in nomenclature.columns(name).items():
            kind = {"text": "str", "number": "float64", "time": "datetime64[us]"}[facts.type]
            assert str(frame[column].dtype) == kind
            if facts.required:
                assert (frame[column] != "").all() and frame[column].notna().all()
    assert set(fleet.calibrations["sensor_id"]) <= set(fleet.sensors["sensor_id"])


cells = st.one_of(
    st.sampled_from(JUNK), st.none(), st.integers(-(10**20), 10**20), st.floats(), st.booleans(),
    st.datetimes(), st.text(max_size=8), st.dates(), st.decimals(allow_nan=False), st.binary(max_size=4),
)  # fmt: skip
spoils = st.lists(st.tuples(st.sampled_from(nomenclature.TABLES_IN), st.integers(0, 39), st.integers(0, 18), cells), max_size=12)


@given(spoils=spoils, corrections=st.booleans())
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_no_row_of_spoilt_tables_is_lost(spoils: list[tuple[str, int, int, object]], corrections: bool) -> None:
    tables = make_tables(sensors=4, visits=10)
    frames = {name: getattr(tables, name).astype(object) for name in nomenclature.TABLES_IN}
    for name, row, column, value in spoils:
        frame = frames[name]
        frame.iat[row % len(frame), column % frame.shape[1]] = value
    try:
        fleet = Fleet.from_tables(**frames, corrections=corrections)
    except SensorHealthError as error:
        assert "\n" not in str(error) or any("\n" in str(value) for *_, value in spoils)
        return
    accounted(fleet, {name: len(frame) for name, frame in frames.items()})
    accounted(fleet.known_at("2021-06-01"))
    if not corrections:
        assert not (fleet.findings["done"] == "corrected").any()


def spoil_bytes(content: bytes, rng: np.random.Generator) -> bytes:
    """A file with a few bytes changed, cut, doubled, or put in from a list of what breaks readers."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(0, max(len(data), 1)))
        length = int(rng.integers(1, 30))
        match rng.integers(0, 6):
            case 0:
                data[at : at + length] = rng.integers(0, 256, length, dtype=np.uint8).tobytes()
            case 1:
                del data[at : at + length]
            case 2:
                data[at:at] = data[at : at + length * 10]
            case 3:
                data[at:at] = str(rng.choice(JUNK)).encode("utf-8", errors="replace")
            case 4:
                data = data[: at + 1]
            case _:
                data[at:at] = bytes(rng.choice([b'"', b"\n", b"\r", b"\0", b",", b";", b"\xff\xfe", b"\xef\xbb\xbf", b"'"]))
    return bytes(data)


def spoil_cells(content: bytes, rng: np.random.Generator) -> bytes:
    """A CSV with a few cells replaced, or a whole column."""
    rows = [line.split(",") for line in content.decode().splitlines()]
    for _ in range(int(rng.integers(1, 8))):
        row, column = int(rng.integers(1, len(rows))), int(rng.integers(0, len(rows[0])))
        value = str(rng.choice(JUNK)).replace("\n", " ").replace("\r", " ").replace('"', "'").replace(",", " ")
        if rng.random() < 0.1:
            for cells in rows[1:]:
                cells[column] = value
        else:
            rows[row][column] = value
    return "\n".join(",".join(cells) for cells in rows).encode("utf-8", errors="replace")


def written(folder: Path, form: str) -> Path:
    """A small fleet at one of the doors; the file that is to be spoilt."""
    tables = make_tables(sensors=4, visits=6)
    tables.write(folder)
    if form == "csv":
        return folder / "calibrations.csv"
    if form == "parquet":
        (folder / "calibrations.csv").unlink()
        tables.calibrations.to_parquet(folder / "calibrations.parquet")
        return folder / "calibrations.parquet"
    path = folder / f"fleet.{form}"
    tables.fleet().write(path) if form == "xlsx" else _sqlite(tables, path)
    return path


def _sqlite(tables: Any, path: Path) -> None:
    import sqlite3

    connection = sqlite3.connect(path)
    for name in nomenclature.TABLES_IN:
        getattr(tables, name).to_sql(name, connection, index=False)
    connection.close()


def study(path: Path, form: str, spoil: Callable[[bytes, np.random.Generator], bytes], cases: int) -> tuple[int, int]:
    """Read `cases` spoilt versions of a file; how many were read and how many refused."""
    content, where = path.read_bytes(), path.parent if form in ("csv", "parquet") else path
    read = refused = 0
    for seed in range(cases):
        path.write_bytes(spoil(content, np.random.default_rng(seed)))
        try:
            fleet = read_fleet(where)
        except SensorHealthError as error:
            assert str(error).strip(), seed
            refused += 1
        except Exception as error:
            raise AssertionError(f"{form}, seed {seed}: {type(error).__name__}: {error}") from error
        else:
            accounted(fleet)
            read += 1
    return read, refused


FORMS = [
    ("csv", spoil_bytes, 0.3),
    ("csv", spoil_cells, 0.4),
    ("parquet", spoil_bytes, 0.1),
    ("xlsx", spoil_bytes, 0.1),
    ("sqlite", spoil_bytes, 0.1),
]
forms = pytest.mark.parametrize(("form", "spoil", "share"), FORMS, ids=[f"{form} {spoil.__name__}" for form, spoil, _ in FORMS])


@forms
def test_spoilt_files_are_read_or_refused_never_worse(tmp_path: Path, form: str, spoil: Any, share: float) -> None:
    read, refused = study(written(tmp_path, form), form, spoil, 40)
    assert read + refused == 40 and (read > 0 or form != "csv")


@pytest.mark.slow
@forms
def test_ten_thousand_spoilt_files_are_read_or_refused(
    tmp_path: Path, study_size: Any, form: str, spoil: Any, share: float
) -> None:
    cases = study_size(round(10_000 * share))
    read, refused = study(written(tmp_path, form), form, spoil, cases)
    assert read + refused == cases
    assert read > 0 or form != "csv"


def test_a_csv_spoilt_only_in_its_cells_accounts_for_every_line(tmp_path: Path) -> None:
    path = written(tmp_path, "csv")
    content = path.read_bytes()
    lines = len(content.splitlines()) - 1
    for seed in range(30):
        path.write_bytes(spoil_cells(content, np.random.default_rng(1000 + seed)))
        try:
            fleet = read_fleet(tmp_path)
        except SensorHealthError:
            continue
        assert fleet.reconciliation.set_index("table").loc["calibrations", "rows_in"] == lines
        assert isinstance(fleet.findings, pd.DataFrame)
