"""The doors: one file per way that records come in.

A reader module states `accepts(where) -> bool` and `sources(where, names) -> dict[str, Source]`, `where` being what
the user gave (a path or a database address) and `names` the user's own name for each table of the contract. A new
door is a new file.
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


def open_sources(where: str | Path, names: Mapping[str, str]) -> dict[str, Source]:
    """The tables found at `where`, by the contract's name. Raises RecordsError where nothing can be read there."""
    for reader in readers():
        if reader.accepts(where):
            found: dict[str, Source] = reader.sources(where, names)
            if "calibrations" not in found:
                asked = names.get("calibrations", "calibrations")
                raise RecordsError(
                    f"{shown(where)}: there is no table {asked!r}; a fleet needs at least its calibrations "
                    "(name the table in a mapping if it is called otherwise)"
                )
            return found
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
