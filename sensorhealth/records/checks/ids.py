"""Sensors and cylinders that stand twice in their own table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ... import nomenclature
from ..bench import KEPT, SET_ASIDE, Batch, Bench
from ..raw import IntArray
from ._tools import cells, repeats, row_keys, where

ORDER = 20
FINDINGS = {
    "duplicate": "a row that stands there already, equal in every column",
    "conflicting rows": "the same id twice with different facts",
    "moved": "a sensor that was moved to another instrument, position or site",
}
_KEYS = {"sensors": ["sensor_id"], "cylinders": ["cylinder_id", "gas"]}
_PLACE = ("instrument_id", "position", "site")


def check(bench: Bench) -> list[Batch]:
    """The first of equal rows is kept; of different ones too, since one id is one sensing element."""
    return [batch for table in _KEYS for batch in _doubled(bench, table)]


def _doubled(bench: Bench, table: str) -> list[Batch]:
    names = list(nomenclature.columns(table))
    rows = where(bench.used[table])
    again, first = repeats(row_keys(bench, table, _KEYS[table], rows), rows)
    if not len(again):
        return []
    whole = row_keys(bench, table, names, rows)
    rest = row_keys(bench, table, [name for name in names if name not in (*_PLACE, "installed")], rows)
    equal, alike = whole[again] == whole[first], rest[again] == rest[first]
    again, first = rows[again], rows[first]
    moved = ~equal & alike if table == "sensors" else np.zeros(len(again), bool)
    column = _KEYS[table][0]
    other = ~equal & ~moved
    batches = [
        Batch("duplicate", table, column, SET_ASIDE, again[equal], reasons=_same(bench, table, first[equal])),
        Batch("conflicting rows", table, column, SET_ASIDE, again[other],
              reasons=_differs(bench, table, again[other], first[other], names)),
    ]  # fmt: skip
    if moved.any():
        batches += _moves(bench, again[moved], first[moved])
    return batches


def _same(bench: Bench, table: str, first: IntArray) -> Sequence[str]:
    return [f"equal to row {row}, which is used" for row in bench.tables[table]["row"].to_numpy()[first]]


def _differs(bench: Bench, table: str, again: IntArray, first: IntArray, names: list[str]) -> Sequence[str]:
    rows, columns = bench.tables[table]["row"].to_numpy(), {name: cells(bench, table, name) for name in names}
    reasons = []
    for one, other in zip(again, first, strict=True):
        unlike = [name for name, values in columns.items() if not _alike(values[one], values[other])]
        reasons.append(
            f"row {rows[other]}, which is used, has the same id but another {', '.join(unlike[:4])}; one id is one "
            f"{'sensing element' if table == 'sensors' else 'cylinder and gas'}: give each its own"
        )
    return reasons


def _alike(one: object, other: object) -> bool:
    return one == other or (one != one and other != other)


def _moves(bench: Bench, again: IntArray, first: IntArray) -> list[Batch]:
    """The last place counts, and the first installation: the age of the element runs through a move."""
    installed = bench.column("sensors", "installed")
    last: dict[int, int] = {}
    for one, other in zip(again.tolist(), first.tolist(), strict=True):
        if installed[one] >= installed[last.get(other, other)]:
            last[other] = one
    kept = np.array(sorted({int(row) for row in first}), dtype=np.int64)
    oldest = np.array([min([installed[row], *installed[again[first == row]]]) for row in kept], dtype="datetime64[us]")
    source = np.array([last.get(int(row), int(row)) for row in kept], dtype=np.int64)
    changes = {name: bench.column("sensors", name)[source] for name in _PLACE} | {"installed": oldest}
    return [
        Batch("moved", "sensors", "sensor_id", KEPT, kept, changes=changes,
              reason="stands at more than one place: its last place and its first date of installation are used"),
        Batch("moved", "sensors", "sensor_id", SET_ASIDE, again, reasons=_merged(bench, first)),
    ]  # fmt: skip


def _merged(bench: Bench, first: IntArray) -> Sequence[str]:
    rows = bench.tables["sensors"]["row"].to_numpy()
    return [f"the same sensor at another place; its facts are merged into row {rows[row]}" for row in first]
