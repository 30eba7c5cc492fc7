"""The account of a reading in lines of plain text: what was understood, what was found, and that no row was lost."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

import pandas as pd

from .fleet import Fleet

_WIDEST = 44
_PAGE = 110


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
        *(line for note in fleet.notes for line in textwrap.wrap(f"note: {_printable(note)}", _PAGE, subsequent_indent="    ")),
    ]


def _reconciliation(fleet: Fleet) -> Iterator[str]:
    for row in fleet.reconciliation.to_dict("records"):
        adds_up = row["rows_in"] == row["rows_used"] + row["rows_set_aside"]
        sums = f"{row['rows_in']} rows in = {row['rows_used']} used + {row['rows_set_aside']} set aside"
        told = len(getattr(fleet, row["table"])) if not row["rows_in"] else 0
        absent = f"no table; {told} told from the calibrations" if told else "no table, or no row in it"
        yield f"{row['table']}: {sums if row['rows_in'] else absent}{'' if adds_up else '  DOES NOT ADD UP'}"


def _columns(fleet: Fleet, long: bool) -> Iterator[str]:
    balance = fleet.reconciliation
    there = fleet.understood["table"].isin(balance.loc[balance["rows_in"] > 0, "table"])
    shown = fleet.understood if long else fleet.understood[there & (fleet.understood["heading"] != "")]
    rows: list[tuple[str, ...]] = [("column", "read from", "read as", "filled", "unreadable", "from ... to, or commonest")]
    for row in shown.to_dict("records"):
        if row["how"] == "not read":
            rows.append((f"{row['table']}", str(row["heading"]), "not read", "", "", ""))
            continue
        span = f"{row['lowest']} ... {row['highest']}" if row["lowest"] else str(row["example"])
        numbers = (str(row["filled"]), str(row["unreadable"]))
        rows.append((f"{row['table']}.{row['column']}", str(row["heading"]), str(row["how"]), *numbers, span))
    yield from _aligned(rows)
    if (fleet.understood["how"] == "not read").any():
        yield "(not read: a heading that no column of the contract has; name it in a mapping if it is one of them)"


def _findings(fleet: Fleet) -> Iterator[str]:
    yield ""
    if fleet.findings.empty:
        yield "Findings: none"
        return
    yield "Findings (the first of each kind; --all shows every one)"
    kinds = fleet.findings.groupby(["table", "finding", "done"], sort=False)
    totals = kinds["count"].transform("sum")
    yield from _listed(fleet.findings.assign(count=totals).loc[kinds.head(1).index])


def _every_finding(fleet: Fleet) -> Iterator[str]:
    yield ""
    yield f"Findings: {len(fleet.findings)}"
    yield from _listed(fleet.findings)


def _listed(findings: pd.DataFrame) -> Iterator[str]:
    """Two lines or more for each: what was found and done, with the first place; then why, and what to do."""
    for row in findings.to_dict("records"):
        rows = f"{row['count']} {'row' if row['count'] == 1 else 'rows'} of {row['table']} {row['done']}"
        place = "" if pd.isna(row["row"]) else f"row {row['row']}"
        sensor = "" if row["column"] == "sensor_id" or not row["sensor_id"] else f"sensor {row['sensor_id']}"
        cell = f"{row['column']} '{_cut(row['value'])}'" if row["value"] else str(row["column"])
        where = ", ".join(part for part in (place, sensor, cell) if part)
        first = "such as " if row["count"] > 1 and where else ""
        yield _printable(f"{row['finding']}: {rows}{'; ' if where else ''}{first}{where}")
        yield from textwrap.wrap(_printable(row["reason"]), _PAGE, initial_indent="    ", subsequent_indent="    ")


def _cut(value: object) -> str:
    text = str(value)
    return text if len(text) <= _WIDEST else text[: _WIDEST - 3] + "..."


def _aligned(rows: list[tuple[str, ...]]) -> Iterator[str]:
    """Columns under each other; control characters shown as "?", all but the last column cut to a width."""
    clean = [[_printable(cell) for cell in row] for row in rows]
    cut = [[cell if len(cell) <= _WIDEST else cell[: _WIDEST - 3] + "..." for cell in row[:-1]] + row[-1:] for row in clean]
    widths = [max(len(row[place]) for row in cut) for place in range(len(rows[0]))]
    for row in cut:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()


def _printable(text: str) -> str:
    return "".join(character if character.isprintable() else "?" for character in str(text))
