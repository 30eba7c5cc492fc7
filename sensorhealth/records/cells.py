"""From the cells of one raw column to typed values: text, numbers, times.

Work is done on the distinct cells wherever they repeat, so that millions of rows cost as little as their distinct
values.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as compute

from ..errors import RecordsError
from .outputs import plain
from .raw import IntArray, cell_text
from .units import unit_named

MISSING = frozenset(
    ["", "na", "n/a", "#n/a", "<na>", "nan", "nat", "null", "none", "-", "--", "---", "—", "n.a.", "#value!", "#ref!"]
)
_LONGEST_MISSING = 40
_ABOVE = re.compile(r"(?:>=?|≥)\s*(\S.*)")
_WITH_UNIT = re.compile(r"([^A-Za-z%µμ]*\d)\s*([A-Za-z%µμ].{0,11})")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?")
_COMMA = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?")


@dataclass(frozen=True, eq=False)
class Cells:
    """Typed values of one column (n,), and where a cell was there but could not be read: positions and texts.

    remark: how the column was read, where there is something to say. swapped: positions of dates that could only be
    read with day and month the other way round than the rest of the column. units: (n,) place in unit_names of the unit
    that a cell states behind its number, -1 where it states none; empty where no cell does. above: positions of cells
    like ">60", whose number is a limit.
    """

    values: Any
    bad: IntArray
    bad_text: tuple[str, ...]
    remark: str = ""
    swapped: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    units: IntArray = field(default_factory=lambda: np.empty(0, np.int64))
    unit_names: tuple[str, ...] = ()
    above: IntArray = field(default_factory=lambda: np.empty(0, np.int64))


def distinct(column: pa.ChunkedArray) -> tuple[IntArray, pa.Array]:
    """Codes (n,) into the distinct cells of `column`, -1 where missing, and those cells."""
    if not pa.types.is_dictionary(column.type):
        column = column.dictionary_encode()
    if column.num_chunks == 0:
        return np.empty(0, np.int64), pa.array([], column.type.value_type)
    column = column.unify_dictionaries()
    array = column.combine_chunks()
    if isinstance(array, pa.ChunkedArray):
        array = array.chunk(0) if array.num_chunks else pa.array([], column.type)
    codes = array.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    return codes.astype(np.int64, copy=False), array.dictionary


def distinct_texts(column: pa.ChunkedArray) -> tuple[IntArray, list[str | None]]:
    """Like `distinct`, each distinct cell as text."""
    codes, cells = distinct(column)
    if pa.types.is_boolean(cells.type):
        return codes, ["true" if cell else "false" for cell in cells.to_pylist()]
    listed = cells.to_pylist()
    return codes, listed if _is_text(cells.type) else [cell_text(cell) for cell in listed]


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def texts(column: pa.ChunkedArray, understand: Callable[[str], str | None] | None, missing: Collection[str] = MISSING) -> Cells:
    """A pd.Categorical of cleaned text.

    understand: gives the contract's word for a cell, None where it is not known; None for free text.
    """
    codes, cells = distinct_texts(column)
    words: dict[str, int] = {}
    target = np.full(len(cells) + 1, -1, dtype=np.int32)
    unknown = {}
    for number, cell in enumerate(cells):
        clean = "" if cell is None else _clean(cell)
        if len(clean) <= _LONGEST_MISSING and clean.casefold() in missing:
            continue
        word = clean if understand is None else understand(clean)
        if word is None:
            unknown[number] = clean
        elif word:
            target[number] = words.setdefault(word, len(words))
    bad = np.flatnonzero(np.isin(codes, np.fromiter(unknown, dtype=np.int64))) if unknown else np.empty(0, np.int64)
    values = pd.Categorical.from_codes(target[codes], categories=pd.Index(list(words), dtype="str"))
    return Cells(values, bad, tuple(unknown[code] for code in codes[bad].tolist()))


def _clean(cell: str) -> str:
    """A cell without outer and doubled spaces, and without the apostrophe that neutralises it."""
    if cell.isalnum():
        return cell
    return plain(" ".join(cell.split()))


def numbers(
    column: pa.ChunkedArray, decimal: Callable[[], str], missing: Collection[str] = MISSING, *, limits: bool = False
) -> Cells:
    """A float64 array, NaN where missing. decimal: gives "." or "," for numbers written as text; asked only where they
    are not plain. limits: whether ">60" may be said."""
    nothing = np.empty(0, np.int64)
    kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
    if pa.types.is_null(kind):
        return Cells(np.full(len(column), np.nan), nothing, ())
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        plain_column = column.cast(pa.float64(), safe=False)
        return Cells(_flat(plain_column), nothing, ())
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        quick = _quick(column)
        if quick is not None:
            return Cells(quick, nothing, ())
    mark = decimal()
    codes, cells = distinct_texts(column)
    table, unread = np.full(len(cells) + 1, np.nan), np.zeros(len(cells) + 1, dtype=bool)
    stated: dict[str, int] = {}
    unit, above = np.full(len(cells) + 1, -1, dtype=np.int64), np.zeros(len(cells) + 1, dtype=bool)
    for number, cell in enumerate(cells):
        clean = "" if cell is None else plain(cell.strip())
        if clean.casefold() in missing:
            continue
        if limits and (more := _ABOVE.fullmatch(clean)):
            clean, above[number] = more[1], True
        value = one_number(clean, mark)
        if value is None and (parts := _WITH_UNIT.fullmatch(clean)) and (name := unit_named(parts[2])):
            value = one_number(parts[1], mark)
            unit[number] = stated.setdefault(name, len(stated))
        unread[number], table[number] = value is None, np.nan if value is None else value
    bad = np.flatnonzero(unread[codes]).astype(np.int64)
    texts = tuple(str(cells[code]).strip() for code in codes[bad].tolist())
    beyond = np.flatnonzero((above & ~unread)[codes]).astype(np.int64)
    if not stated:
        return Cells(table[codes], bad, texts, above=beyond)
    said = f"number with {' or '.join(stated)}"
    return Cells(table[codes], bad, texts, said, units=unit[codes], unit_names=tuple(stated), above=beyond)


def _flat(column: pa.ChunkedArray) -> np.ndarray[Any, np.dtype[np.float64]]:
    values = column.to_numpy(zero_copy_only=False) if isinstance(column, pa.ChunkedArray) else np.asarray(column)
    return np.array(values, dtype=float, copy=True)


def _quick(column: pa.ChunkedArray) -> np.ndarray[Any, np.dtype[np.float64]] | None:
    """Plain numbers and empty cells only, all at once; None where anything else is among them."""
    if pa.types.is_dictionary(column.type):
        return None
    for empty_too in (False, True):
        filled = compute.if_else(compute.equal(column, ""), pa.scalar(None, column.type), column) if empty_too else column
        with contextlib.suppress(pa.ArrowException):
            values = _flat(filled.cast(pa.float64()))
            return values if int(np.isfinite(values).sum()) == len(column) - filled.null_count else None
    return None


def one_number(text: str, decimal: str) -> float | None:
    """The number that `text` writes, or None. Spaces and apostrophes may part thousands; nothing else is forgiven."""
    clean = text.replace("−", "-").replace("\u202f", "").replace("\u00a0", "").replace(" ", "").replace("'", "").replace("’", "")
    if decimal == ",":
        if clean.count(",") > 1:
            return None
        clean = clean.replace(".", "").replace(",", ".") if _grouped_by_points(clean) else clean.replace(",", ".")
    elif _THOUSANDS.fullmatch(clean):
        clean = clean.replace(",", "")
    if not _NUMBER.fullmatch(clean) or len(clean) > 60:
        return None
    return float(clean)


def _grouped_by_points(text: str) -> bool:
    return bool(re.fullmatch(r"[+-]?\d{1,3}(\.\d{3})+(,\d*)?", text)) and (text.count(".") > 1 or "," in text)


def decimal_mark(cells: Collection[str]) -> str | None:
    """The decimal mark that these cells prove: "," or "."; "?" where a comma could be either; None where none is
    used."""
    commas = [cell for cell in cells if _COMMA.fullmatch(cell)]
    points = any("." in cell and _NUMBER.fullmatch(cell) for cell in cells)
    mixed = any(_THOUSANDS.fullmatch(cell) and "." in cell for cell in cells)
    if mixed or (points and all(_THOUSANDS.fullmatch(cell) for cell in commas)):
        return "."
    if not commas:
        return "." if points else None
    if all(_THOUSANDS.fullmatch(cell) for cell in commas):
        return "?"
    return None if points else ","


def table_decimal(columns: dict[str, pa.ChunkedArray], source: str) -> str:
    """The decimal mark of a table's number columns. Raises RecordsError where 1,234 could be either and nothing
    decides."""
    marks = {}
    for name, column in columns.items():
        kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
        if not (_is_text(kind)):
            continue
        if not bool(compute.any(compute.match_substring(_plain_text(column), ",")).as_py()):
            continue
        marks[name] = decimal_mark({cell.strip() for cell in distinct_texts(column)[1] if cell})
    proved = [mark for mark in (",", ".") if mark in marks.values()]
    if len(proved) == 1:
        return proved[0]
    doubtful = [name for name, mark in marks.items() if mark == "?"]
    if doubtful:
        raise RecordsError(
            f"{source}: column {doubtful[0]!r}: a comma could part thousands or decimals in every number; "
            "state decimal = ',' or decimal = '.' in a mapping"
        )
    return "."


def _plain_text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return column.cast(pa.string()) if pa.types.is_dictionary(column.type) else column
