"""A table as it came in, before anyone has said what its cells mean.

Readers give `Source` objects: the headings at once, the cells when asked and only the columns asked for.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

IntArray = np.ndarray[Any, np.dtype[np.int64]]
HEAD_ROWS = 30
"""How many rows are looked at to find the headings."""
_NO_WORD = re.compile(r"[\d\s.,:;/+\-T]+Z?%?")


@dataclass(frozen=True)
class BrokenRow:
    """A row that could not be split into cells: its data row number (1 = first under the heading), text, and what is
    wrong."""

    row: int
    text: str
    reason: str


@dataclass(frozen=True, eq=False)
class RawTable:
    """Cells of one table. cells: Arrow columns by heading; row: (n,) data row numbers; broken: rows outside `cells`.

    note: what a person should know of how it was read, where there is something.
    """

    cells: pa.Table
    row: IntArray
    broken: tuple[BrokenRow, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class Source:
    """One table that can be read. name: what a person calls it; headings: in order; read: gives the asked columns."""

    name: str
    headings: tuple[str, ...]
    read: Callable[[Sequence[str]], RawTable] = field(repr=False)


def numbered(cells: pa.Table, broken: tuple[BrokenRow, ...] = ()) -> RawTable:
    """`cells` with the row numbers that the broken rows leave."""
    total = cells.num_rows + len(broken)
    row = np.arange(1, total + 1, dtype=np.int64)
    if broken:
        row = np.delete(row, np.array([bad.row for bad in broken]) - 1)
    return RawTable(cells, row, broken)


def unique_headings(headings: Iterable[object]) -> tuple[str, ...]:
    """Headings as clean text; empty ones get a name of their own, and one that stood there before a number: "Remark (2)"."""
    names: list[str] = []
    taken: set[str] = set()
    for number, heading in enumerate(headings, start=1):
        text = "" if heading is None else " ".join(str(heading).replace("\ufeff", "").split())
        text = name = text or f"column {number}"
        again = 1
        while name in taken:
            again += 1
            name = f"{text} ({again})"
        taken.add(name)
        names.append(name)
    return tuple(names)


def heading_row(rows: Sequence[Sequence[str]]) -> int:
    """Position of the row of headings: the first that is at least half as full as the fullest under it.

    A row below the first must also hold words only. The first row that is not empty, where none is like that.
    """
    filled = [sum(bool(cell.strip()) for cell in row) for row in rows]
    first = next((place for place, count in enumerate(filled) if count), 0)
    for place in range(first, len(rows)):
        full = 2 * filled[place] >= max(filled[place:])
        if filled[place] and full and (place == first or are_words(rows[place])):
            return place
    return first


def title_note(source: str, above: Sequence[str]) -> str:
    """A note about the lines above the headings, "" where there are none."""
    lines = [" ".join(line.split())[:40] for line in above if line.strip()]
    if not lines:
        return ""
    return f"{source}: the headings were found in line {len(above) + 1}; above them stands {lines[0]!r}, which was not read"


def are_words(cells: Sequence[str]) -> bool:
    """Whether the cells of a row could be headings: all different, and none a number or a date."""
    there = [cell.strip() for cell in cells if cell.strip()]
    return len(set(there)) == len(there) > 1 and not any(_NO_WORD.fullmatch(cell) for cell in there)


def arrow_column(values: Sequence[object] | np.ndarray[Any, Any]) -> pa.Array:
    """Cells of any mixture of types as one Arrow array; a mixture becomes text, times in ISO 8601."""
    try:
        array = pa.array(values, from_pandas=True)
    except (pa.ArrowException, TypeError, ValueError, OverflowError):
        return pa.array([cell_text(value) for value in values], type=pa.string())
    if pa.types.is_nested(array.type) or pa.types.is_binary(array.type) or pa.types.is_large_binary(array.type):
        return pa.array([cell_text(value) for value in values], type=pa.string())
    return array


def cell_text(value: object) -> str | None:
    """One cell as text; None where it is missing."""
    if value is None or value is pd.NaT or value is pd.NA:
        return None
    if isinstance(value, float | np.floating):
        number = float(value)
        return None if np.isnan(number) else str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, bytes):
        return value.decode("utf-8", errors="replace")
    if isinstance(value, Decimal):
        return format(value, "f")
    text = str(value)
    return text.encode("utf-8", errors="replace").decode("utf-8")  # lone surrogates cannot be stored or written


def stacked(pieces: Sequence[pa.Table], asked: Sequence[str]) -> pa.Table:
    """Pieces of one table under each other. A column that a piece lacks is missing there; mixed types become text."""
    if not asked:
        return pa.table({"": pa.nulls(sum(piece.num_rows for piece in pieces))})
    return pa.table([_stacked_column(pieces, name) for name in asked], names=list(asked))


def _stacked_column(pieces: Sequence[pa.Table], name: str) -> pa.ChunkedArray:
    chunks = [
        chunk
        for piece in pieces
        for chunk in (piece.column(name).chunks if name in piece.column_names else [pa.nulls(piece.num_rows)])
    ]
    kinds = {chunk.type for chunk in chunks if not pa.types.is_null(chunk.type)}
    if len(kinds) > 1:
        chunks = [pa.array([cell_text(value) for value in chunk.to_pylist()], pa.string()) for chunk in chunks]
        kinds = {pa.string()}
    kind = kinds.pop() if kinds else pa.null()
    return pa.chunked_array([chunk if chunk.type == kind else pa.nulls(len(chunk), kind) for chunk in chunks], type=kind)
