"""The workbook: opens, prints, keeps numbers as numbers, and is the same every time."""

from __future__ import annotations

import datetime as dt
import io
import sys
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest
from openpyxl import Workbook, load_workbook

from sensorhealth.present.page.sensors import URGENCY
from sensorhealth.present.workbook import SHEETS, workbook_bytes

sys.path.insert(0, str(Path(__file__).resolve().parent))
from plan_builders import planned


@pytest.fixture(scope="module")
def analysis() -> SimpleNamespace:
    return planned()


@pytest.fixture(scope="module")
def book(analysis: SimpleNamespace) -> Workbook:
    return load_workbook(io.BytesIO(workbook_bytes(analysis)))


def test_each_question_has_its_sheet_and_every_row_is_there(book: Workbook, analysis: SimpleNamespace) -> None:
    assert book.sheetnames == ["Read first", *(sheet.title for sheet in SHEETS), "What if"]
    for sheet in SHEETS:
        assert book[sheet.title].max_row == len(getattr(analysis, sheet.attribute)) + 1


def test_numbers_are_numbers_and_dates_are_dates(book: Workbook, analysis: SimpleNamespace) -> None:
    budget = book["What it costs"]
    row = [cell.value for cell in budget[2]]
    assert row[0] == analysis.budget["month"].iloc[0].to_pydatetime()
    assert row[list(analysis.budget.columns).index("expected_cost")] == pytest.approx(analysis.budget["expected_cost"].iloc[0])
    plan = book["What to do"]
    due = plan.cell(2, list(analysis.plan.columns).index("due") + 1)
    assert isinstance(due.value, dt.datetime)
    assert due.number_format == "yyyy-mm-dd"


def test_headings_stay_and_repeat_and_name_the_currency(book: Workbook) -> None:
    for sheet in SHEETS:
        page = book[sheet.title]
        assert page.freeze_panes in ("A2", "B2")
        assert page.print_title_rows in ("1:1", "$1:$1")
        assert page.sheet_properties.pageSetUpPr.fitToPage
        assert page.page_setup.orientation == "landscape"
        assert all(cell.value for cell in page[1])
    assert "Expected cost (EUR)" in [cell.value for cell in book["What it costs"][1]]
    assert not any("(probability)" in str(cell.value) for page in book for cell in page[1])


def test_what_cannot_wait_stands_first(book: Workbook, analysis: SimpleNamespace) -> None:
    place = list(analysis.plan.columns).index("action")
    actions = [row[place] for row in book["What to do"].iter_rows(min_row=2, values_only=True)]
    order = [URGENCY.index(action) for action in actions]
    assert order == sorted(order) and len(set(order)) > 1


def test_cautions_stand_on_the_first_sheet(book: Workbook) -> None:
    text = " ".join(str(row[0].value) for row in book["Read first"].iter_rows())
    assert "not a proof of function" in text
    assert "bump test" in text


def test_same_analysis_gives_the_same_bytes(analysis: SimpleNamespace, monkeypatch: pytest.MonkeyPatch) -> None:
    first = workbook_bytes(analysis)
    import openpyxl.packaging.core as core

    later = dt.datetime(2031, 5, 6, 7, 8, 9)

    class Later(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> dt.datetime:
            return later

        @classmethod
        def utcnow(cls) -> dt.datetime:
            return later

    monkeypatch.setattr(core.datetime, "datetime", Later)
    assert workbook_bytes(analysis) == first
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert b"2026-03-31T00:00:00Z" in archive.read("docProps/core.xml")


def test_text_that_looks_like_a_formula_stays_text() -> None:
    page = load_workbook(io.BytesIO(workbook_bytes(planned(6, site='=HYPERLINK("x")\x07'))))["What to do"]
    cells = [cell for cell in page[2] if isinstance(cell.value, str) and "HYPERLINK" in cell.value]
    assert len(cells) == 1
    assert cells[0].data_type == "s"
    assert cells[0].value == '=HYPERLINK("x")?'


def test_empty_tables_still_make_a_workbook(analysis: SimpleNamespace) -> None:
    empty = SimpleNamespace(**{**vars(analysis), "orders": analysis.orders.head(0), "warranty": analysis.warranty.head(0)})
    book = load_workbook(io.BytesIO(workbook_bytes(empty)))
    assert book["What to order"].max_row == 1
