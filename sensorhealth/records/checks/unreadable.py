"""Cells that cannot be read, and rows that lack what must be there."""

from __future__ import annotations

import numpy as np

from ... import nomenclature
from ..bench import KEPT, SET_ASIDE, Array, Batch, Bench
from ._tools import CONCENTRATIONS, MEASURED, TABLES, where

ORDER = 10
FINDINGS = {
    "empty row": "a row without any value",
    "unreadable value": "a cell that cannot be read as what its column holds",
    "missing value": "an empty cell where a value must be there",
}


def check(bench: Bench) -> list[Batch]:
    """Rows set aside where the cell must be there or is a measurement; elsewhere the row is kept without the value."""
    return [
        batch
        for table in TABLES
        for batch in [*_empty(bench, table), *_unread(bench, table), *_missing(bench, table), *_foreign_units(bench, table)]
    ]


def _foreign_units(bench: Bench, table: str) -> list[Batch]:
    """Cells that state a unit where the column has none of concentration: 20 ppm of temperature."""
    return [
        Batch("unreadable value", table, name, KEPT, where(cells.units >= 0), together=True,
              changes={name: np.full(int((cells.units >= 0).sum()), np.nan)},
              reason="states a unit of concentration, which this column does not have; the rows are used without it")
        for name, cells in bench.with_units.get(table, {}).items()
        if name not in CONCENTRATIONS and name in bench.tables[table]
    ]  # fmt: skip


def _empty(bench: Bench, table: str) -> list[Batch]:
    empty = np.ones(len(bench.tables[table]), dtype=bool)
    for name in nomenclature.columns(table):
        empty &= ~bench.stated(table, name)
    for cells in bench.unreadable.get(table, {}).values():
        empty[cells.bad] = False
    return [Batch("empty row", table, "", SET_ASIDE, where(empty), "no column of the contract has a value here; delete it")]


def _unread(bench: Bench, table: str) -> list[Batch]:
    failed = bench.is_word(table, "outcome", "fail", "aborted") if table == "calibrations" else None
    batches = []
    for name, cells in bench.unreadable.get(table, {}).items():
        column = nomenclature.columns(table).get(name)
        if column is None:
            continue
        expected = f"one of {', '.join(column.choices)}" if column.choices else f"a {column.type}"
        texts = np.asarray(cells.bad_text, dtype=object)
        grave = np.full(len(cells.bad), column.required or name in MEASURED)
        if failed is not None and not column.required:
            grave &= ~failed[cells.bad]
        aside = f"cannot be read as {expected}; mend the cell, or translate it in a mapping"
        kept = f"cannot be read as {expected}; the row is used without it"
        for rows, done, reason in ((grave, SET_ASIDE, aside), (~grave, KEPT, kept)):
            if rows.any():
                batches.append(_batch(table, name, done, cells.bad[rows], reason, texts[rows]))
    return batches


def _batch(table: str, name: str, done: str, at: Array, reason: str, texts: Array) -> Batch:
    return Batch("unreadable value", table, name, done, at, reason, values=list(texts))


def _missing(bench: Bench, table: str) -> list[Batch]:
    batches = []
    for name, column in nomenclature.columns(table).items():
        if column.required:
            gone = where(~bench.stated(table, name))
            batches.append(Batch("missing value", table, name, SET_ASIDE, gone, "must be there; fill it in"))
    return batches
