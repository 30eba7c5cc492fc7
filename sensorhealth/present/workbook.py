"""The plan as a workbook that prints well: one sheet per question, numbers as numbers, headings that stay."""

from __future__ import annotations

import io
import re
import zipfile
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from sensorhealth.nomenclature import Column, columns
from sensorhealth.present.cautions import CAUTIONS
from sensorhealth.present.page.sensors import most_pressing
from sensorhealth.present.sheet_rows import with_rows

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

MOST_ROWS = 50_000  # of a sheet, which could hold 1 048 576: beyond, a workbook opens slowly or not at all
_LONG = 1_000  # rows from which on a sheet is written as text
_LONGEST = 32_000  # characters in a cell; 32 767 is the limit
_FORMATS = {
    "probability": "0.0 %",
    "currency": "#,##0",
    "sensors": "0",
    "days": "0",
    "1/year": "0.000",
    "ratio": "0.00",
}
_WIDTHS = {"date": 12.0, "time": 12.0, "boolean": 9.0, "integer": 11.0, "number": 12.0}
_EPOCH = (1980, 1, 1, 0, 0, 0)


@dataclass(frozen=True)
class Sheet:
    """One question and the table that answers it: title (at most 31 characters), nomenclature, attribute, note."""

    title: str
    table: str
    attribute: str
    note: str


SHEETS = (
    Sheet("What to do", "plan", "plan", "One row for every sensor, the most pressing first, with the reason."),
    Sheet(
        "When to visit",
        "visits",
        "visits",
        "Visits after the first are provisional: new readings move them.",
    ),
    Sheet("What to order", "orders", "orders", "Orders by kind, with the stock on hand counted."),
    Sheet("What to claim", "warranty", "warranty", "Sensors to test while a claim can still be made, ranked."),
    Sheet("What it costs", "budget", "budget", "P10 to P90: eight times in ten the figure lies between them."),
    Sheet("How long each has", "forecast", "forecast", "Remaining useful life with its interval. A forecast is no proof."),
)

WHAT_IF = Sheet("What if", "policies", "schemes", "Swaps by forecast, by the calendar, at failure: the same fleet and months.")


def workbook_bytes(analysis: Any) -> bytes:
    """The workbook of `analysis`: its plan, visits, orders, warranty, budget, forecast, schemes if any, as_of, policy.

    The same analysis gives the same bytes.
    """
    from openpyxl import Workbook

    book = Workbook()
    as_of = pd.Timestamp(analysis.as_of)
    first = book.active
    assert first is not None
    _front(first, analysis, as_of)
    long: dict[str, list[list[Any]]] = {}
    for sheet in SHEETS:
        table = getattr(analysis, sheet.attribute)
        table = most_pressing(table) if sheet.table == "plan" else table
        values = _fill(book, sheet, table, columns(sheet.table), analysis.policy.currency, as_of)
        if values:
            long[f"xl/worksheets/sheet{len(book.sheetnames)}.xml"] = values
    schemes = getattr(analysis, "schemes", None)
    if schemes is not None:
        _fill(book, WHAT_IF, schemes, columns(WHAT_IF.table), analysis.policy.currency, as_of)
    book.properties.creator = "sensorhealth"
    book.properties.title = f"Sensor plan on {as_of:%Y-%m-%d}"
    book.properties.created = as_of.to_pydatetime()
    written = io.BytesIO()
    book.save(written)
    return _reproducible(written.getvalue(), as_of, long)


def _front(sheet: Worksheet, analysis: Any, as_of: pd.Timestamp) -> None:
    """The first sheet: what this is, how to read it, and the cautions."""
    from openpyxl.styles import Alignment, Font

    sheet.title = "Read first"
    lines = [f"Sensor plan on {as_of:%Y-%m-%d}", "Nothing after that date was read.", ""]
    lines += [f"{item.title}: {item.note}" for item in (*SHEETS, *([WHAT_IF] if hasattr(analysis, "schemes") else []))]
    for item in SHEETS:
        count = len(getattr(analysis, item.attribute))
        if count > MOST_ROWS:
            lines += ["", f"{item.title}: the first {MOST_ROWS} of {count} rows; all of them are in {item.table}.csv."]
    lines += ["", f"Money is in {analysis.policy.currency}.", "", "Cautions", *CAUTIONS]
    for number, line in enumerate(lines, start=1):
        cell = sheet.cell(number, 1)
        _put(cell, line)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
        if number == 1 or line == "Cautions":
            cell.font = Font(bold=True)
    sheet.column_dimensions["A"].width = 100
    _page(sheet, as_of, "portrait")


def _fill(
    book: Workbook, sheet: Sheet, table: pd.DataFrame, known: dict[str, Column], currency: str, as_of: pd.Timestamp
) -> list[list[Any]]:
    """One sheet: headings that stay and repeat in print, typed cells, widths by content; the columns of a long one, whose
    rows but a pattern are left to `with_rows`."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter

    page = book.create_sheet(sheet.title)
    shown = table.head(MOST_ROWS)
    long = len(shown) >= _LONG
    every: list[list[Any]] = []
    grey, line = PatternFill("solid", fgColor="E8E8E8"), Border(bottom=Side(style="thin"))
    for number, name in enumerate(shown.columns, start=1):
        column = known.get(str(name))
        heading = page.cell(1, number)
        _put(heading, _heading(str(name), column, currency))
        heading.font, heading.fill, heading.border = Font(bold=True), grey, line
        heading.alignment = Alignment(wrap_text=True, vertical="top")
        values = _values(shown[name])
        form = _format(shown[name], column)
        wraps = Alignment(wrap_text=True, vertical="top") if column is not None and name in ("reason", "advice") else None
        every.append([_text(value) if isinstance(value, str) else value for value in values] if long else values)
        for row, value in enumerate([0.0] if long else values, start=2):  # one row as the pattern for a long sheet
            if value is None:
                continue
            cell = page.cell(row, number)
            _put(cell, value)
            if form:
                cell.number_format = form
            if wraps:
                cell.alignment = wraps
        page.column_dimensions[get_column_letter(number)].width = _width(values, column, bool(wraps))
    page.freeze_panes = "B2" if "sensor_id" in shown.columns[:2] else "A2"
    page.auto_filter.ref = f"A1:{get_column_letter(max(len(shown.columns), 1))}{len(shown) + 1}"
    page.print_title_rows = "1:1"
    _page(page, as_of, "landscape")
    return every if long else []


def _page(sheet: Worksheet, as_of: pd.Timestamp, orientation: Any) -> None:
    """Paper: A4, one page wide, numbered."""
    sheet.page_setup.orientation = orientation
    sheet.page_setup.paperSize = 9
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True  # type: ignore[union-attr]
    sheet.oddHeader.left.text = sheet.title  # type: ignore[union-attr]
    sheet.oddHeader.right.text = f"Sensor plan on {as_of:%Y-%m-%d}"  # type: ignore[union-attr]
    sheet.oddFooter.left.text = "A forecast is not a proof of function."  # type: ignore[union-attr]
    sheet.oddFooter.right.text = "Page &P of &N"  # type: ignore[union-attr]


def _heading(name: str, column: Column | None, currency: str) -> str:
    """The heading for people: the meaning in short, with its unit."""
    if column is None:
        return name.replace("_", " ")
    short = column.meaning.split(";")[0].split(":")[0].split(". ")[0].rstrip(".")
    unit = currency if column.unit == "currency" else "" if column.unit == "probability" else column.unit  # shown in per cent
    return f"{short} ({unit})" if unit else short


def _put(cell: Any, value: Any) -> None:
    """Write a value; text stays text, whatever it begins with."""
    if isinstance(value, str):
        cell.value = _text(value)
        cell.data_type = "s"
    else:
        cell.value = value


def _text(value: str) -> str:
    """Text as a cell may hold it."""
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    return str(ILLEGAL_CHARACTERS_RE.sub("?", value)[:_LONGEST])


def _values(column: pd.Series) -> list[Any]:
    """Cell values of a column: dates, numbers, text, yes or no; None where nothing is known."""
    missing = column.isna().to_numpy()
    if pd.api.types.is_bool_dtype(column.dtype):
        found: list[Any] = ["yes" if value else "no" for value in column]
    elif pd.api.types.is_datetime64_any_dtype(column.dtype):
        found = [None if gone else value.to_pydatetime() for value, gone in zip(column, missing)]
    elif pd.api.types.is_integer_dtype(column.dtype):
        found = [None if gone else int(value) for value, gone in zip(column, missing)]
    elif pd.api.types.is_float_dtype(column.dtype):
        found = [None if not np.isfinite(value) else float(value) for value in column]
    else:
        found = [None if gone or value == "" else str(value) for value, gone in zip(column, missing)]
    return found


def _format(values: pd.Series, column: Column | None) -> str:
    """The number format of a column, "" for none."""
    if pd.api.types.is_datetime64_any_dtype(values.dtype):
        return "yyyy-mm-dd"
    if not pd.api.types.is_numeric_dtype(values.dtype) or pd.api.types.is_bool_dtype(values.dtype):
        return ""
    unit = "" if column is None else column.unit
    if unit == "sensors" and pd.api.types.is_float_dtype(values.dtype):
        return "0.0"
    return _FORMATS.get(unit, "#,##0.##" if column is None else "General")


def _width(values: list[Any], column: Column | None, wraps: bool) -> float:
    """Width of a column in characters: by type, text by its longest entry."""
    if wraps:
        return 70.0
    if column is not None and column.type in _WIDTHS:
        return _WIDTHS[column.type]
    longest = max((len(value) for value in values if isinstance(value, str)), default=0)
    return float(min(max(longest + 2, 11), 40))


def _reproducible(book: bytes, as_of: pd.Timestamp, long: dict[str, list[list[Any]]]) -> bytes:
    """The same workbook with the rows of the `long` sheets and without the clock: fixed times in the archive, the as-of date
    as time of change."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "docProps/core.xml":
                stamp = f"{as_of:%Y-%m-%dT%H:%M:%SZ}".encode()
                content = re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + stamp, content)
            elif name in long:
                content = with_rows(content, long[name])
            info = zipfile.ZipInfo(name, date_time=_EPOCH)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.external_attr = 0o644 << 16
            new.writestr(info, content)
    return out.getvalue()
