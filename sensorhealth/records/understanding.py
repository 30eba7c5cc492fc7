"""What was understood of each column of the records, as a table for a person to check."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from .. import nomenclature
from .bench import shown
from .fleet import Fleet
from .mapping import RecordsMapping
from .typed import TypedTable

_KINDS = {
    "reading": "a reading",
    "excess": "the excess over the gas",
    "ratio": "a ratio to the gas",
    "percent": "per cent of the gas",
}


def understood(fleet: Fleet) -> pd.DataFrame:
    """What was understood of each column of the contract, for a person to check: table, column, heading, how, unit,
    filled, missing, unreadable, lowest, highest, example (the commonest words of a text column)."""
    return fleet.understood


def understood_columns(tables: Mapping[str, TypedTable], mapping: RecordsMapping) -> pd.DataFrame:
    """One row for each column of the contract: table, column, heading, how, unit, filled, missing, unreadable,
    lowest, highest, example. heading: "" where the records do not have the column, "= value" for a constant of the
    mapping; a heading of the records that means no column of the contract has a row too, with column "" and how "not read"."""
    rows = []
    for name, table in tables.items():
        for column, facts in nomenclature.columns(name).items():
            series = table.frame[column]
            stated = series.notna().to_numpy()
            filled = int(stated.sum())
            bad = len(table.unreadable[column].bad) if column in table.unreadable else 0
            low, high, example = _extremes(series[stated])
            rows.append(
                {
                    "table": name, "column": column, "heading": table.headings.get(column, ""),
                    "how": _how(table, facts, mapping) if table.headings.get(column) else "not there",
                    "unit": facts.unit, "filled": filled, "missing": len(series) - filled - bad, "unreadable": bad,
                    "lowest": low, "highest": high, "example": example,
                }
            )  # fmt: skip
        rows += [_unread(name, heading) for heading in table.unread]
    return pd.DataFrame(rows)


def _how(table: TypedTable, facts: nomenclature.Column, mapping: RecordsMapping) -> str:
    """How a column was read, and what the mapping says of it."""
    column, part = facts.name, mapping.tables[table.name]
    said = [table.remarks.get(column, "") or facts.type]
    if facts.type == "time" and mapping.timezone != "UTC":
        said.append(f"{mapping.timezone} to UTC")
    if column in part.units:
        said.append(f"in {part.units[column]}")
    if column == "headroom" and mapping.headroom_kind:
        said.append(_KINDS[mapping.headroom_kind])
    if column == "lel_basis" and mapping.lel_basis is not None:
        said.append(f"{mapping.lel_basis:g} where empty (methane)")
    return ", ".join(said)


def _unread(table: str, heading: str) -> dict[str, object]:
    counts = {"filled": 0, "missing": 0, "unreadable": 0}
    words = {"unit": "", "lowest": "", "highest": "", "example": ""}
    return {"table": table, "column": "", "heading": heading, "how": "not read", **counts, **words}


def _extremes(values: pd.Series) -> tuple[str, str, str]:
    if not len(values):
        return "", "", ""
    if isinstance(values.dtype, pd.CategoricalDtype):
        counts = np.bincount(values.cat.codes.to_numpy(), minlength=len(values.cat.categories))
        words = [str(values.cat.categories[place]) for place in np.argsort(-counts, kind="stable")[:5] if counts[place]]
        return "", "", ", ".join(words)
    return shown(values.to_numpy().min()), shown(values.to_numpy().max()), shown(values.to_numpy()[0])
