"""The doors: one file per way that records come in.

A reader module states `accepts(where) -> bool`, `listed(where) -> list[str]` (the names of the tables there) and
`sources(where, names) -> dict[str, Source]`, `where` being what the user gave (a path or a database address) and
`names` the user's own name for each table of the contract. A new door is a new file.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Mapping
from pathlib import Path
from types import ModuleType

from ...errors import RecordsError
from ..raw import Source


def readers() -> tuple[ModuleType, ...]:
    """All reader modules, by name."""
    found = (importlib.import_module(f"{__name__}.{item.name}") for item in pkgutil.iter_modules(__path__))
    return tuple(module for module in found if hasattr(module, "accepts"))


def open_sources(where: str | Path, names: Mapping[str, str], *, complete: bool = True) -> dict[str, Source]:
    """The tables found at `where`, by the contract's name. Raises RecordsError where nothing can be read there.

    complete: whether calibrations must be among them.
    """
    found: dict[str, Source] = _reader(where).sources(where, names)
    if complete and "calibrations" not in found:
        asked, there = names.get("calibrations", "calibrations"), ", ".join(listed(where)[:20])
        raise RecordsError(
            f"{shown(where)}: there is no table {asked!r} (there is: {there or 'nothing'}); a fleet needs at least its "
            "calibrations; name the table in a mapping if it is called otherwise (`sensorhealth check FLEET --suggest` "
            "writes a first one)"
        )
    return found


def listed(where: str | Path) -> list[str]:
    """Names of all tables at `where`, as the user calls them."""
    names: list[str] = _reader(where).listed(where)
    return names


def _reader(where: str | Path) -> ModuleType:
    for reader in readers():
        if reader.accepts(where):
            return reader
    raise RecordsError(
        f"{shown(where)}: not found, or not a kind of records that can be read; give a folder of CSV or Parquet files, "
        "an Excel workbook (.xlsx), an SQLite file or a database address"
    )


def shown(where: str | Path) -> str:
    """`where` as it may be printed: without a password."""
    text = str(where)
    if "://" in text and "@" in text:
        scheme, rest = text.split("://", 1)
        return f"{scheme}://***@{rest.rsplit('@', 1)[1]}"
    return text
