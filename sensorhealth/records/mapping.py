"""What the user's own names, units and formats mean: a small TOML file, or the same as a dict.

headroom_kind = "excess"        # reading (the contract's own), excess, ratio or percent
lel_basis = 5.0                 # %vol that is 100 %LEL for methane: 4.4 or 5.0
timezone = "Europe/Paris"       # of times that carry no offset of their own; default UTC
decimal = ","                   # decimal mark of numbers written as text
date_format = "%d/%m/%Y %H:%M"  # of dates written as text; "excel" for day numbers, "unix" for seconds
missing = ["nil"]               # further ways to write a missing value

[calibrations]
table = "cal_log"               # file, sheet or database table
[calibrations.columns]          # contract's name = heading in the records
sensor_id = "Serial no."
[calibrations.values.outcome]   # their value = contract's value
"bestanden" = "pass"
[calibrations.units]            # unit the column is recorded in, where it is not the contract's
applied = "%vol"
temperature_c = "degF"
[calibrations.constants]        # value of a column that is not there
kind = "full"
[calibrations.date_formats]
time = "%m/%d/%Y"
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from .. import nomenclature
from ..errors import RecordsError
from .units import COLUMN_UNITS, CONCENTRATION_UNITS

HEADROOM_KINDS = ("reading", "excess", "ratio", "percent")


@dataclass(frozen=True)
class TableMapping:
    """One table's part: see the module's text for what each key means."""

    table: str
    columns: Mapping[str, str | tuple[str, ...]] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    constants: Mapping[str, object] = field(default_factory=dict)
    date_formats: Mapping[str, str] = field(default_factory=dict)
    unit_column: str = ""


@dataclass(frozen=True)
class RecordsMapping:
    """A whole mapping. tables: one TableMapping for each table of the contract; the rest as in the module's text."""

    headroom_kind: str = ""
    lel_basis: float | None = None
    timezone: str = "UTC"
    decimal: str = ""
    date_format: str = ""
    missing: tuple[str, ...] = ()
    tables: Mapping[str, TableMapping] = field(default_factory=lambda: {t: TableMapping(t) for t in nomenclature.TABLES_IN})

    @classmethod
    def of(cls, given: RecordsMapping | Mapping[str, Any] | Path | str | None) -> RecordsMapping:
        """The mapping that `given` states: a path to TOML, a dict of the same shape, or None for the contract's own
        names.

        Raises RecordsError for a key or a value that is not known, naming what is allowed.
        """
        if given is None:
            return cls()
        if isinstance(given, RecordsMapping):
            return given
        if isinstance(given, Mapping):
            return _checked(given, "mapping")
        try:
            return _checked(tomllib.loads(Path(given).read_text(encoding="utf-8-sig")), str(given))
        except OSError as error:
            raise RecordsError(f"{given}: the mapping cannot be read ({error.strerror}); check the name") from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise RecordsError(f"{given}: the mapping is not valid TOML: {error}") from None


def _checked(given: Mapping[str, Any], source: str) -> RecordsMapping:
    simple = {"headroom_kind": str, "timezone": str, "decimal": str, "date_format": str}
    _only(given, [*simple, "lel_basis", "missing", *nomenclature.TABLES_IN], source)
    for key, kind in simple.items():
        if key in given and not isinstance(given[key], kind):
            raise RecordsError(f"{source}: {key} = {given[key]!r} must be text")
    kind = given.get("headroom_kind", "")
    if kind and kind not in HEADROOM_KINDS:
        raise RecordsError(f"{source}: headroom_kind = {kind!r} must be one of {', '.join(HEADROOM_KINDS)}")
    if given.get("decimal", "") not in ("", ",", "."):
        raise RecordsError(f"{source}: decimal = {given['decimal']!r} must be ',' or '.'")
    _check_timezone(given.get("timezone", "UTC"), source)
    tables = {t: _table(t, given.get(t, {}), source) for t in nomenclature.TABLES_IN}
    return RecordsMapping(
        headroom_kind=kind,
        lel_basis=_basis(given.get("lel_basis"), source),
        timezone=given.get("timezone", "UTC"),
        decimal=given.get("decimal", ""),
        date_format=given.get("date_format", ""),
        missing=tuple(str(value) for value in given.get("missing", ())),
        tables=tables,
    )


def _basis(value: object, source: str) -> float | None:
    if value is None:
        return None
    column = nomenclature.columns("sensors")["lel_basis"]
    if isinstance(value, bool) or not isinstance(value, int | float) or not column.low <= value <= column.high:  # type: ignore[operator]
        raise RecordsError(f"{source}: lel_basis = {value!r} must be %vol between {column.low:g} and {column.high:g}")
    return float(value)


@cache
def _check_timezone(name: str, source: str) -> None:
    import zoneinfo

    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise RecordsError(f"{source}: timezone = {name!r} is not known; write it like 'Europe/Paris' or 'UTC'") from None


def _only(given: object, allowed: list[str], where: str) -> None:
    if not isinstance(given, Mapping):
        raise RecordsError(f"{where}: must be a table of keys, not {given!r}")
    for key in given:
        if key not in allowed:
            raise RecordsError(f"{where}: {key!r} is not known here; there may be {', '.join(allowed)}")


def _table(table: str, given: Any, source: str) -> TableMapping:
    where = f"{source}: [{table}]"
    _only(given, ["table", "columns", "values", "units", "constants", "date_formats", "unit_column"], where)
    names = list(nomenclature.columns(table))
    if table == "calibrations":  # a fleet of calibrations alone carries the sensors' facts in the same table
        names += [name for name in nomenclature.columns("sensors") if name not in names]
    for part in ("columns", "values", "units", "constants", "date_formats"):
        _only(given.get(part, {}), names, f"{where[:-1]}.{part}]")
    for column, unit in given.get("units", {}).items():
        allowed = COLUMN_UNITS.get(column, CONCENTRATION_UNITS)
        if unit not in allowed:
            raise RecordsError(f"{where[:-1]}.units] {column} = {unit!r} must be one of {', '.join(allowed)}")
    return TableMapping(
        table=str(given.get("table", table)),
        columns={k: tuple(map(str, v)) if isinstance(v, list) else str(v) for k, v in given.get("columns", {}).items()},
        values={k: {str(a): str(b) for a, b in v.items()} for k, v in given.get("values", {}).items()},
        units=dict(given.get("units", {})),
        constants=dict(given.get("constants", {})),
        date_formats={k: str(v) for k, v in given.get("date_formats", {}).items()},
        unit_column=str(given.get("unit_column", "")),
    )
