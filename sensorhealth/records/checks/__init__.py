"""The checks: one file each, all of the same shape, run in the order of their `ORDER`.

A check module states `ORDER` (an integer), `FINDINGS` (name of each finding it can make -> what it means, in one
line) and `check(bench) -> list[Batch]`. Being in this folder registers it; one battery of laws is tested over all of
them.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache
from types import ModuleType


@cache
def checks() -> tuple[ModuleType, ...]:
    """All check modules in the order in which they run."""
    found = (importlib.import_module(f"{__name__}.{item.name}") for item in pkgutil.iter_modules(__path__))
    return tuple(sorted((module for module in found if hasattr(module, "ORDER")), key=lambda module: int(module.ORDER)))
