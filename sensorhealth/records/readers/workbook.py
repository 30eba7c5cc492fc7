"""One Excel workbook with a sheet for each table."""

from __future__ import annotations

import contextlib
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import pyarrow as pa

from ...errors import RecordsError
from ..raw import (
    HEAD_ROWS,
    RawTable,
    Source,
    arrow_column,
    cell_text,
    heading_row,
    numbered,
    stacked,
    title_note,
    unique_headings,
)
from ._files import MAX_WORKBOOK_BYTES, regular

_ENDINGS = (".xlsx", ".xlsm")
_PIECE = 50_000


def accepts(where: str | Path) -> bool:
    """Whether `where` is an Excel workbook by its ending."""
    return str(where).lower().endswith(_ENDINGS) and Path(where).exists()


def listed(where: str | Path) -> list[str]:
    """Names of the sheets."""
    path = regular(Path(where))
    _refuse_bomb(path)
    with _opened(path) as book:
        return [str(sheet.title) for sheet in book.worksheets]


def sources(where: str | Path, names: Mapping[str, str]) -> dict[str, Source]:
    """The tables of `names` (contract's name -> sheet) in workbook `where`. Macros and formulas are never run."""
    path = regular(Path(where))
    _refuse_bomb(path)
    with _opened(path) as book:
        sheets = {sheet.title.casefold(): sheet.title for sheet in book.worksheets}
        return {
            table: _sheet_source(path, book[sheets[name.casefold()]])
            for table, name in names.items()
            if name.casefold() in sheets
        }


def _refuse_bomb(path: Path) -> None:
    try:
        with zipfile.ZipFile(path) as parts:
            unpacked = sum(part.file_size for part in parts.infolist())
    except (zipfile.BadZipFile, OSError, ValueError, EOFError):
        raise RecordsError(f"{path}: is not an Excel workbook; save it as .xlsx") from None
    if unpacked > MAX_WORKBOOK_BYTES:
        raise RecordsError(
            f"{path}: unpacks to more than {MAX_WORKBOOK_BYTES >> 30} GiB; export the sheets as CSV into one folder"
        )


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
    import openpyxl

    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
    except Exception as error:  # a damaged workbook raises whatever its broken part leads to
        raise _damaged(path, error) from None
    try:
        yield book
    finally:
        book.close()


def _damaged(path: Path, error: Exception) -> RecordsError:
    first = str(error).splitlines()[0][:120] if str(error) else ""
    return RecordsError(f"{path}: the workbook is damaged ({type(error).__name__} {first}); open it and save it again")


def _sheet_source(path: Path, sheet: Any) -> Source:
    name = f"{path}, sheet {sheet.title!r}"
    skip, headings, note = _headings(path, sheet, name)

    def read(asked: Sequence[str]) -> RawTable:
        wanted = [headings.index(heading) for heading in asked]
        pieces = []
        with _opened(path) as book:
            rows = _without_blank_end(islice(_rows(path, book[sheet.title]), skip + 1, None))
            while piece := list(islice(rows, _PIECE)):
                columns = [arrow_column([row[at] if at < len(row) else None for row in piece]) for at in wanted]
                pieces.append(pa.table(columns or [pa.nulls(len(piece))], names=list(asked) or [""]))
        return replace(numbered(stacked(pieces, asked)), note=note)

    return Source(name, headings, read)


def _without_blank_end(rows: Iterator[tuple[object, ...]]) -> Iterator[tuple[object, ...]]:
    """The rows up to the last that holds anything: sheets often go on for thousands of empty ones."""
    blank = 0
    for row in rows:
        if all(cell is None for cell in row):
            blank += 1
            continue
        for _ in range(blank):
            yield ()
        blank = 0
        yield row


def _rows(path: Path, sheet: Any) -> Iterator[tuple[object, ...]]:
    try:
        yield from sheet.iter_rows(values_only=True)
    except RecordsError:
        raise
    except Exception as error:  # as above
        raise _damaged(path, error) from None


def _headings(path: Path, sheet: Any, name: str) -> tuple[int, tuple[str, ...], str]:
    """How many rows stand above the headings, the headings, and a note where anything stands there."""
    head = [[cell_text(cell) or "" for cell in row] for row in islice(_rows(path, sheet), HEAD_ROWS)]
    place = heading_row(head)
    row = list(head[place]) if head else []
    while row and not row[-1].strip():
        row.pop()
    if not row:
        raise RecordsError(f"{name}: is empty; its first row must hold the headings of the columns")
    return place, unique_headings(row), title_note(name, [" ".join(filter(None, above)) for above in head[:place]])
