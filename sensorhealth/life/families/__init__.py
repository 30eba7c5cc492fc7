"""Families of life distributions: a family is one file that offers `FAMILY`; its laws are tested for all at once."""

from __future__ import annotations

from functools import cache
from importlib import import_module
from pkgutil import iter_modules

from .base import LifeFamily


@cache
def life_families() -> dict[str, LifeFamily]:
    """All families by name."""
    found = {}
    for module in iter_modules(__path__):
        family = getattr(import_module(f"{__name__}.{module.name}"), "FAMILY", None)
        if family is not None:
            found[family.name] = family
    return found


__all__ = ["LifeFamily", "life_families"]
