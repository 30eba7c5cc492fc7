"""From a source to a typed table in the contract's columns, by way of the mapping."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from .. import nomenclature
from ..errors import RecordsError
from .cells import MISSING, Cells, numbers, table_decimal, texts
from .dates import TIME, TimeFormat, day_first_proof, times
from .joined import joined_texts, joined_times
from .mapping import RecordsMapping, TableMapping
from .raw import BrokenRow, IntArray, Source
from .vocabulary import is_free, understood_word


@dataclass(frozen=True, eq=False)
class TypedTable:
    """A typed table. frame: every column of the contract plus `row`; text as categories, missing as NaN.

    unreadable: for each column, positions and texts of cells that were there but could not be read. with_units: columns of
    which cells state a unit of their own. broken: rows outside the frame. headings: the source's heading of each column
    ("" where it is not there, "= value" for a constant). remarks: how a column was read. extra: columns read beside the
    contract's (`outcome_recorded`, `unit_recorded`). unread: headings of the source that mean no column of the contract.
    above: rows whose headroom is written as more than its number.
    """

    name: str
    source: str
    frame: pd.DataFrame
    unreadable: Mapping[str, Cells]
    broken: tuple[BrokenRow, ...]
    headings: Mapping[str, str]
    remarks: Mapping[str, str]
    note: str = ""
    unread: tuple[str, ...] = ()
    with_units: Mapping[str, Cells] = field(default_factory=dict)
    above: IntArray = field(default_factory=lambda: np.empty(0, np.int64))


def typed_table(source: Source, table: str, mapping: RecordsMapping, also: tuple[str, ...] = ()) -> TypedTable:
    """Read `source` as the contract's `table`. also: sensors' columns to look for in a fleet of calibrations alone.

    Raises RecordsError where a mapped heading is not there, or a column cannot be understood at all.
    """
    part = mapping.tables[table]
    facts = dict(nomenclature.columns(table))
    facts |= {name: nomenclature.columns("sensors")[name] for name in also if name not in facts}
    headings = {name: heading_of(name, source.headings, source.name, part) for name in facts}
    if part.unit_column:
        headings["unit_recorded"] = _stated_heading(part.unit_column, source.headings, source.name)
    elif table == "calibrations" and "unit" not in facts:
        recorded = _alike("unit", source.headings, source.name)
        headings |= {"unit_recorded": recorded} if recorded else {}
    joined = {name: _joined_headings(name, source, part) for name in facts}
    asked = list(dict.fromkeys([*filter(None, headings.values()), *(one for several in joined.values() for one in several)]))
    raw = source.read(asked)
    pieces = {name: several for name, several in joined.items() if several}
    headings |= {name: " + ".join(several) for name, several in pieces.items()}
    for name, several in pieces.items():
        column = joined_times(raw.cells, several) if facts[name].type == "time" else joined_texts(raw.cells, several)
        raw = replace(raw, cells=raw.cells.append_column(headings[name], column))
    reader = _ColumnReader(source, part, mapping, raw.cells, {n: f.type for n, f in facts.items()}, headings)
    cells = {name: reader.cells(name) for name in headings}
    columns: dict[str, Any] = {"row": raw.row} | {name: cell.values for name, cell in cells.items()}
    if table == "calibrations":
        columns["outcome_recorded"] = reader.recorded("outcome")
    shown = {name: heading or _constant(part, name) for name, heading in headings.items()}
    return TypedTable(
        name=table,
        source=source.name,
        frame=pd.DataFrame(columns, copy=False),
        unreadable={name: cell for name, cell in cells.items() if len(cell.bad) or len(cell.swapped)},
        broken=raw.broken,
        headings=shown,
        remarks={name: cell.remark for name, cell in cells.items() if cell.remark},
        note=raw.note,
        with_units={name: cell for name, cell in cells.items() if cell.unit_names},
        above=cells["headroom"].above if "headroom" in cells else np.empty(0, np.int64),
        unread=tuple(heading for heading in source.headings if heading not in asked),
    )


def _constant(part: TableMapping, name: str) -> str:
    return f"= {part.constants[name]}" if name in part.constants else ""


def _alike(name: str, headings: tuple[str, ...], source: str) -> str:
    """The heading that is `name` but for capitals, spaces, hyphens; "" where there is none.

    Raises RecordsError where several are: only a mapping can say which is meant.
    """
    bare = [re.sub(r" \(\d+\)$", "", heading).casefold().replace(" ", "_").replace("-", "_") for heading in headings]
    alike = [heading for heading, text in zip(headings, bare, strict=True) if text == name]
    if len(alike) > 1:
        listed = " or ".join(repr(heading) for heading in alike)
        raise RecordsError(
            f"{source}: the heading {name!r} stands {len(alike)} times; rename all but one, or say in a mapping "
            f"which is meant ({name} = {listed})"
        )
    return alike[0] if alike else ""


def _stated_heading(heading: str, headings: tuple[str, ...], where: str) -> str:
    clean = " ".join(heading.split())
    if clean in headings:
        return clean
    folded = [name for name in headings if name.casefold() == clean.casefold()]
    if len(folded) == 1:
        return folded[0]
    near = difflib.get_close_matches(clean, headings, n=1)
    hint = f"; is it {near[0]!r}?" if near else f"; there are {', '.join(headings[:30])}"
    raise RecordsError(f"{where}: the mapping names the column {heading!r}, which is not there{hint}")


def heading_of(name: str, headings: tuple[str, ...], where: str, part: TableMapping) -> str:
    """The heading of column `name` in the table `where` with these headings; "" where it has none, or several that are joined."""
    if name in part.columns:
        stated = part.columns[name]
        return _stated_heading(stated, headings, where) if isinstance(stated, str) else ""
    if name in part.constants:
        return ""
    taken = {" ".join(heading.split()) for heading in part.columns.values() if isinstance(heading, str)}
    return _alike(name, tuple(heading for heading in headings if heading not in taken), where)


def _joined_headings(name: str, source: Source, part: TableMapping) -> tuple[str, ...]:
    stated = part.columns.get(name, "")
    return () if isinstance(stated, str) else tuple(_stated_heading(heading, source.headings, source.name) for heading in stated)


class _ColumnReader:
    """Reads the columns of one raw table, each according to its type."""

    def __init__(
        self, source: Source, part: TableMapping, mapping: RecordsMapping, cells: pa.Table,
        types: Mapping[str, str], headings: Mapping[str, str],
    ) -> None:  # fmt: skip
        self._source, self._part, self._mapping, self._raw = source, part, mapping, cells
        self._types, self._headings = types, headings
        self._missing = MISSING | {value.casefold() for value in mapping.missing}
        self._rows = cells.num_rows
        self._mark = mapping.decimal

    def _column(self, name: str) -> pa.ChunkedArray | None:
        if name in self._part.constants:
            value = self._part.constants[name]
            kind = pa.scalar(value).type
            codes = pa.array(np.zeros(self._rows, dtype=np.int32))
            return pa.chunked_array([pa.DictionaryArray.from_arrays(codes, pa.array([value], kind))])
        heading = self._headings.get(name, "")
        return self._raw.column(heading) if heading else None

    def _decimal(self) -> str:
        if not self._mark:
            names = [name for name, kind in self._types.items() if kind == "number" and self._headings[name]]
            columns = {self._headings[name]: self._raw.column(self._headings[name]) for name in names}
            self._mark = table_decimal(columns, self._source.name)
        return self._mark

    def _day_first(self) -> bool | None:
        names = [name for name, kind in self._types.items() if kind == "time" and self._headings[name]]
        return day_first_proof(self._raw.column(self._headings[name]) for name in names)

    def cells(self, name: str) -> Cells:
        """Column `name`, typed; all missing where the table does not have it."""
        column, kind = self._column(name), self._types.get(name, "text")
        if column is None:
            return Cells(_all_missing(kind, self._rows), np.empty(0, np.int64), ())
        if kind == "number":
            return numbers(column, self._decimal, self._missing, limits=name == "headroom")
        if kind == "time":
            where = f"{self._source.name}: column {self._headings[name] or name!r}"
            form = self._part.date_formats.get(name, self._mapping.date_format)
            return times(column, TimeFormat(form, self._mapping.timezone, self._day_first), where, self._missing)
        return texts(column, self._words(name), self._missing)

    def recorded(self, name: str) -> Any:
        """A text column in the source's own words."""
        column = self._column(name)
        return _all_missing("text", self._rows) if column is None else texts(column, None, self._missing).values

    def _words(self, name: str) -> Callable[[str], str | None] | None:
        theirs = self._part.values.get(name, {})
        column = "unit" if name == "unit_recorded" else name
        if not theirs and is_free(column):
            return None
        folded = {" ".join(key.casefold().split()): value for key, value in theirs.items()}

        def understand(text: str) -> str | None:
            return understood_word(column, folded.get(" ".join(text.casefold().split()), text))

        return understand


def _all_missing(kind: str, rows: int) -> Any:
    if kind == "number":
        return np.full(rows, np.nan)
    if kind == "time":
        return np.full(rows, "NaT", dtype=TIME)
    return pd.Categorical.from_codes(np.full(rows, -1, dtype=np.int8), categories=pd.Index([], dtype="str"))
