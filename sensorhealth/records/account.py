"""The account of a reading in lines of plain text: what was understood, what was found, and that no row was lost."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from .fleet import Fleet

_WIDEST = 44


def check_lines(fleet: Fleet, long: bool = False) -> list[str]:
    """What a person should see of a fleet's records before trusting a forecast from them.

    Rows in = used + set aside for each table; how each column was read; findings by kind with the first of each (long: every
    finding, and the columns that are not there too); what is missing and what that costs.
    """
    return [
        f"Records: {fleet.source}",
        "",
        *_reconciliation(fleet),
        "",
        *_columns(fleet, long),
        *(_every_finding(fleet) if long else _findings(fleet)),
        *([""] if fleet.notes else []),
        *(f"note: {note}" for note in fleet.notes),
    ]


def _reconciliation(fleet: Fleet) -> Iterator[str]:
    for row in fleet.reconciliation.itertuples():
        ok = "" if row.rows_in == row.rows_used + row.rows_set_aside else "  DOES NOT ADD UP"
        yield f"{row.table}: {row.rows_in} rows in = {row.rows_used} used + {row.rows_set_aside} set aside{ok}"


def _columns(fleet: Fleet, long: bool) -> Iterator[str]:
    shown = fleet.understood if long else fleet.understood[fleet.understood["heading"] != ""]
    rows = [("column", "read from", "read as", "filled", "unreadable", "from ... to, or commonest")]
    for row in shown.itertuples():
        span = f"{row.lowest} ... {row.highest}" if row.lowest else row.example
        rows.append((f"{row.table}.{row.column}", row.heading, row.how, str(row.filled), str(row.unreadable), span))
    yield from _aligned(rows)


def _findings(fleet: Fleet) -> Iterator[str]:
    yield ""
    if fleet.findings.empty:
        yield "Findings: none"
        return
    yield "Findings (the first of each kind; --all shows every one)"
    rows = [("finding", "table", "done", "rows", "first: row, column, value", "why")]
    for (table, finding, done), group in fleet.findings.groupby(["table", "finding", "done"], sort=False):
        first = group.iloc[0]
        rows.append((str(finding), str(table), str(done), str(group["count"].sum()), _place(first), first["reason"]))
    yield from _aligned(rows)


def _every_finding(fleet: Fleet) -> Iterator[str]:
    yield ""
    yield f"Findings: {len(fleet.findings)}"
    rows = [("finding", "table", "done", "rows", "row, column, value", "why")]
    for _, row in fleet.findings.iterrows():
        rows.append((row["finding"], row["table"], row["done"], str(row["count"]), _place(row), row["reason"]))
    yield from _aligned(rows)


def _place(finding: pd.Series) -> str:
    row = "" if pd.isna(finding["row"]) else f"row {finding['row']}"
    return ", ".join(part for part in (row, finding["column"], finding["value"]) if part)


def _aligned(rows: list[tuple[str, ...]]) -> Iterator[str]:
    """Columns under each other; control characters shown as "?", all but the last column cut to a width."""
    clean = [[_printable(cell) for cell in row] for row in rows]
    cut = [[cell if len(cell) <= _WIDEST else cell[: _WIDEST - 3] + "..." for cell in row[:-1]] + row[-1:] for row in clean]
    widths = [max(len(row[place]) for row in cut) for place in range(len(rows[0]))]
    for row in cut:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _printable(text: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in str(text))
