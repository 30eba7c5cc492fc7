"""Tables written as one Excel workbook: the same input gives the same bytes, and no cell is ever a formula."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Mapping
from datetime import datetime

import numpy as np
import pandas as pd

from ..errors import OutputError
from .outputs import neutralise

MAX_ROWS = 1_048_575
MAX_TEXT = 32_767
_LONG_AGO = datetime(2000, 1, 1)
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def workbook_bytes(sheets: Mapping[str, pd.DataFrame]) -> bytes:
    """An .xlsx file with one sheet for each frame, headings in its first row. Times are cells of type date.

    Text that a spreadsheet would run is neutralised; characters that a workbook cannot hold become "?". Raises OutputError
    for a table with more rows than a sheet can take.
    """
    import openpyxl

    book = openpyxl.Workbook(write_only=True)
    book.properties.created = book.properties.modified = _LONG_AGO
    for title, frame in sheets.items():
        if len(frame) > MAX_ROWS:
            raise OutputError(f"table {title!r} has {len(frame)} rows and a sheet takes {MAX_ROWS}; write CSV instead")
        sheet = book.create_sheet(title)
        sheet.freeze_panes = "A2"
        sheet.append([neutralise(str(name)) for name in frame.columns])
        for row in _rows(frame):
            sheet.append(row)
    packed = io.BytesIO()
    book.save(packed)
    return _without_clock(packed.getvalue())


def _rows(frame: pd.DataFrame) -> Iterator[list[object]]:
    columns = [[_cell(value) for value in frame[name].astype(object)] for name in frame.columns]
    for row in zip(*columns, strict=True):
        yield list(row)


def _cell(value: object) -> object:
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, pd.Timestamp):
        moment = value.tz_convert("UTC").tz_localize(None) if value.tzinfo is not None else value
        return moment.to_pydatetime() if 1900 < moment.year < 9999 else str(moment)
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return _CONTROL.sub("?", neutralise(str(value)))[:MAX_TEXT] or None


def _without_clock(packed: bytes) -> bytes:
    """The same workbook with a fixed date on each part, so that its bytes depend on its contents alone."""
    result = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(packed)) as source, zipfile.ZipFile(result, "w", zipfile.ZIP_DEFLATED) as target:
        for name in sorted(source.namelist()):
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2000-01-01T00:00:00Z", content)
            target.writestr(zipfile.ZipInfo(name, (2000, 1, 1, 0, 0, 0)), content, zipfile.ZIP_DEFLATED)
    return result.getvalue()
