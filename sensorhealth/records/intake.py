"""The way in, from a path or tables to a Fleet: open, type, check, account."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from .. import nomenclature
from ..errors import RecordsError
from .attempts import attempts
from .bench import Bench, findings_table
from .checks import checks
from .fleet import Fleet
from .infer import SENSOR_FACTS, inferred_sensors
from .mapping import RecordsMapping
from .missing import missing_notes
from .normalise import headroom_as_reading, units_together
from .raw import Source
from .typed import TypedTable, typed_table
from .understanding import understood_columns

_UNITS_AT, _HEADROOM_AT = 50, 65


def read_fleet(
    path: Path | str,
    *,
    mapping: RecordsMapping | Mapping[str, Any] | Path | str | None = None,
    corrections: bool = True,
    as_of: pd.Timestamp | str | None = None,
) -> Fleet:
    """Read a fleet from a folder of CSV or Parquet, an Excel workbook, an SQLite file or a database address.

    mapping: TOML file (or dict) that says what the user's own headings, values, units and formats mean. corrections:
    whether what is unambiguously wrong is put right (always listed in the findings); False sets such rows aside or
    keeps them doubted. as_of: read as the records were known on that date. Raises RecordsError, naming file, column
    and mend, where the records cannot be used at all.
    """
    from .readers import open_sources, shown

    understood = RecordsMapping.of(mapping)
    names = {table: part.table for table, part in understood.tables.items()}
    fleet = take_in(open_sources(path, names), shown(path), mapping=understood, corrections=corrections)
    return fleet if as_of is None else fleet.known_at(as_of)


def take_in(
    sources: Mapping[str, Source],
    source: str,
    *,
    mapping: RecordsMapping | Mapping[str, Any] | Path | str | None,
    corrections: bool,
) -> Fleet:
    """The fleet in `sources` (one for each table of the contract that there is)."""
    understood = RecordsMapping.of(mapping)
    tables = _typed(sources, understood)
    bench = Bench({name: table.frame for name, table in tables.items()}, corrections)
    bench.unreadable = {name: dict(table.unreadable) for name, table in tables.items()}
    bench.with_units = {name: dict(table.with_units) for name, table in tables.items()}
    bench.above = tables["calibrations"].above
    columns = understood_columns(tables, understood)
    _list_broken(bench, tables)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):  # impossible values are still in the arrays
        _check(bench, understood, tables)
    _refuse_empty(bench, tables)
    reconciled = _reconciled(bench, tables)
    notes = (*(table.note for table in tables.values() if table.note), *missing_notes(tables), *bench.notes)
    return Fleet(
        findings=findings_table(bench.findings),
        reconciliation=reconciled,
        **{name: _finished(bench, name) for name in nomenclature.TABLES_IN},
        notes=notes,
        source=source,
        understood=columns,
    )


def _check(bench: Bench, mapping: RecordsMapping, tables: Mapping[str, TypedTable]) -> None:
    """Run the checks in their order; units are brought together once the ids are settled, headroom once the gas is."""
    stages = [
        (_UNITS_AT, lambda: units_together(bench, mapping)),
        (_HEADROOM_AT, lambda: headroom_as_reading(bench, mapping, tables["calibrations"].source)),
    ]
    for check in checks():
        while stages and stages[0][0] <= check.ORDER:
            stages.pop(0)[1]()
        bench.apply(check.check(bench))


def _typed(sources: Mapping[str, Source], mapping: RecordsMapping) -> dict[str, TypedTable]:
    alone = "sensors" not in sources
    tables = {}
    for name in nomenclature.TABLES_IN:
        if name in sources:
            also = SENSOR_FACTS if alone and name == "calibrations" else ()
            tables[name] = typed_table(sources[name], name, mapping, also)
            _refuse_missing_columns(tables[name])
    if alone:
        tables["sensors"] = inferred_sensors(tables["calibrations"], mapping)
    if "cylinders" not in tables:
        tables["cylinders"] = typed_table(_nothing("cylinders"), "cylinders", RecordsMapping())
    return {name: tables[name] for name in nomenclature.TABLES_IN}


def _nothing(table: str) -> Source:
    from .readers.frames import frame_source

    return frame_source(pd.DataFrame({name: pa.array([], pa.string()) for name in nomenclature.columns(table)}), table)


def _refuse_missing_columns(table: TypedTable) -> None:
    required = [name for name, column in nomenclature.columns(table.name).items() if column.required]
    absent = [name for name in required if not table.headings[name] and name != "installed"]  # told from other dates
    if absent:
        raise RecordsError(
            f"{table.source}: there is no column {absent[0]!r} "
            f"({nomenclature.columns(table.name)[absent[0]].meaning.lower()}); add it, or name the user's own "
            f"heading or a constant for it in a mapping ([{table.name}.columns] or [{table.name}.constants])"
            + (f"; also missing: {', '.join(absent[1:])}" if absent[1:] else "")
            + "; `sensorhealth check FLEET --suggest` writes a first mapping"
        )


def _list_broken(bench: Bench, tables: Mapping[str, TypedTable]) -> None:
    for name, table in tables.items():
        if table.broken:
            bench.set_aside[name] += len(table.broken)
            bench.findings.append(
                pd.DataFrame(
                    {
                        "table": name, "row": [bad.row for bad in table.broken],
                        "value": [bad.text for bad in table.broken],
                        "finding": "broken row", "done": "set aside", "count": 1,
                        "reason": [f"the row {bad.reason}; mend the line in {table.source}" for bad in table.broken],
                    }
                )
            )  # fmt: skip


def _refuse_empty(bench: Bench, tables: Mapping[str, TypedTable]) -> None:
    for name in ("sensors", "calibrations"):
        rows = len(tables[name].frame) + len(tables[name].broken)
        if bench.used[name].any() or (rows == 0 and name == "calibrations" and bench.used["sensors"].any()):
            continue
        if rows == 0:
            raise RecordsError(f"{tables[name].source}: has no rows; a fleet needs sensors and their calibrations")
        common = findings_table(bench.findings).query("table == @name and done == 'set aside'")
        first = common.iloc[0]
        raise RecordsError(
            f"{tables[name].source}: none of its {rows} rows can be used; the first, row {first['row']}: "
            f"{first['finding']}, column {first['column']!r}, value {first['value']!r}: {first['reason']}"
        )


def _finished(bench: Bench, name: str) -> pd.DataFrame:
    """The rows in use, in order, with plain text columns."""
    frame, used = bench.tables[name], bench.used[name]
    wanted = [*nomenclature.columns(name), "row"]
    if name == "calibrations":
        order, attempt = attempts(bench)
        wanted.append("outcome_recorded")
    else:
        order, attempt = np.flatnonzero(used), None
    columns: dict[str, Any] = {}
    for column in wanted:
        series = frame.pop(column)  # given back at once: millions of rows need not be held twice
        if isinstance(series.dtype, pd.CategoricalDtype):
            columns[column] = _plain_text(series, order)
        else:
            columns[column] = series.to_numpy()[order]
    if attempt is not None:
        columns["attempt"] = attempt
    return pd.DataFrame(columns, copy=False)


def _plain_text(series: pd.Series, order: np.ndarray[Any, Any]) -> Any:
    words = [*series.cat.categories, ""]
    codes = series.cat.codes.to_numpy()[order].astype(np.int32)
    codes[codes < 0] = len(words) - 1
    if pd.get_option("mode.string_storage") == "python":  # one string for all cells that are equal
        return pd.array(np.array(words, dtype=object)[codes], dtype="str")
    return pd.array(pa.array(words, pa.large_string()).take(pa.array(codes)), dtype="str")


def _reconciled(bench: Bench, tables: Mapping[str, TypedTable]) -> pd.DataFrame:
    rows: Sequence[dict[str, object]] = [
        {
            "table": name,
            "rows_in": int((table.frame["row"] > 0).sum()) + len(table.broken),
            "rows_used": int((bench.used[name] & (table.frame["row"] > 0).to_numpy()).sum()),
            "rows_set_aside": bench.set_aside[name],
        }
        for name, table in tables.items()
    ]
    return pd.DataFrame(rows)
