"""Values outside what the column can hold."""

from __future__ import annotations

import numpy as np

from ... import nomenclature
from ..bench import KEPT, SET_ASIDE, Array, Batch, Bench
from ._tools import MEASURED, TABLES, where

ORDER = 12
FINDINGS = {"impossible value": "a number that the quantity cannot have"}
_POSITIVE = ("span_gain", "gain_limit", "display_limit", "concentration")


def check(bench: Bench) -> list[Batch]:
    """Rows with an impossible measurement set aside; another impossible number is blanked and its row kept."""
    batches = []
    for table in TABLES:
        for name, column in nomenclature.columns(table).items():
            if column.type != "number":
                continue
            wrong = _outside(bench.column(table, name), column)
            if table == "calibrations" and name == "applied":
                values = bench.column(table, name)
                wrong |= (values == 0) & ~bench.is_word(table, "kind", "zero")
            at = where(wrong)
            if not len(at):
                continue
            grave = name in MEASURED or column.required
            reason = f"{_range(column)} is possible; " + ("mend the cell" if grave else "the row is used without it")
            blank = {} if grave else {name: np.full(len(at), np.nan)}
            batches.append(Batch("impossible value", table, name, SET_ASIDE if grave else KEPT, at, reason, changes=blank))
    return batches


def _outside(values: Array, column: nomenclature.Column) -> Array:
    wrong: Array = np.isinf(values)
    if column.low is not None:
        wrong = wrong | ((values <= column.low) if column.name in _POSITIVE else (values < column.low))
    if column.high is not None:
        wrong = wrong | (values > column.high)
    return wrong | (np.abs(values) > 1e9)


def _range(column: nomenclature.Column) -> str:
    if column.low is not None and column.high is not None:
        return f"{column.low:g} to {column.high:g}"
    if column.low is None:
        return "a finite number"
    return f"{'more than' if column.name in _POSITIVE else 'at least'} {column.low:g}"
