"""One dictionary of names, units and meanings.

It serves the contract of the records, the headings of the outputs, the documentation and the axis labels. Each table is one
TOML file in this folder; a column states its type, unit, meaning, and, for the records, whether it must be there and its range.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

TABLES_IN = ("sensors", "calibrations", "cylinders")
TABLES_OUT = (
    "forecast", "plan", "budget", "lots", "cylinder_effects", "findings", "track_record",
    "retest", "orders", "visits", "warranty", "policies",
)  # fmt: skip


@dataclass(frozen=True)
class Column:
    """One column of one table.

    name: as it stands in files and frames. type: text, number, time, date, integer or boolean. unit: "" for none.
    required: the table cannot be used without it. low, high: smallest and largest possible value (inclusive).
    choices: the closed set of values, empty where open.
    """

    name: str
    type: str
    meaning: str
    unit: str = ""
    required: bool = False
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()


@cache
def columns(table: str) -> dict[str, Column]:
    """The columns of `table` by name, in the order of the contract.

    Raises KeyError for a table that is not in TABLES_IN or TABLES_OUT.
    """
    if table not in TABLES_IN + TABLES_OUT:
        raise KeyError(f"no table {table!r}; there are {', '.join(TABLES_IN + TABLES_OUT)}")
    text = resources.files(__package__).joinpath(f"{table}.toml").read_text(encoding="utf-8")
    return {
        name: Column(name=name, **{**facts, "choices": tuple(facts.get("choices", ()))})
        for name, facts in tomllib.loads(text).items()
    }


def label(table: str, name: str) -> str:
    """A heading or axis label for people: the meaning, with the unit in brackets."""
    column = columns(table)[name]
    short = column.meaning.split(";")[0].split(". ")[0].rstrip(".")
    return f"{short} ({column.unit})" if column.unit else short
