"""Rows that were filled in by copying."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, Array, Batch, Bench
from ..raw import IntArray
from ._tools import crowded, row_keys, where

ORDER = 86
FINDINGS = {
    "copied values": "the same fine measurements on many different sensors",
    "one time for many": "many sensors of a site calibrated at the same second",
}
_SENSORS = 5
_AT_ONCE = 20
_TIMES = 5.0


def check(bench: Bench) -> list[Batch]:
    """Doubted: numbers that agree to the last digit on five sensors or more, and times that twenty share, were typed
    in later.
    """
    names = ["zero_offset", "as_found", "span_gain", "headroom", "response_seconds"]
    rows, shared = _copied(bench, names)
    time = bench.integers("time")
    timed = where(bench.used["calibrations"] & (time % 86_400_000_000 != 0))
    site = np.append(bench.codes("sensors", "site")[0], -1)[bench.sensor_of()[timed]]
    at_once = _shared(time[timed] * 4096 + site, bench.sensor_of()[timed], _AT_ONCE)
    return [
        Batch("copied values", "calibrations", "headroom", DOUBTED, rows[shared], together=True,
              reason="five or more sensors with the same numbers to the last digit: copied or filled in later?"),
        Batch("one time for many", "calibrations", "time", DOUBTED, timed[at_once], together=True,
              reason="twenty or more sensors of a site at the same second: times were filled in later; their order is not known"),
    ]  # fmt: skip


def _copied(bench: Bench, names: list[str]) -> tuple[IntArray, Array]:
    """Rows with three measurements or more that say something, and whether many sensors share them beyond chance."""
    telling = {name: _telling(bench, name) for name in names}
    count = np.sum(list(telling.values()), axis=0, dtype=np.int8)
    rows = where(bench.used["calibrations"] & (count >= 3) & ~bench.is_word("calibrations", "outcome", "fail", "aborted"))
    key = row_keys(bench, "calibrations", ["applied", *names], rows)
    shared = _shared(key, bench.sensor_of()[rows], _SENSORS)
    if shared.any():
        shared &= _beyond_chance(bench, telling, rows, key, shared)
    return rows, shared


def _telling(bench: Bench, name: str) -> Array:
    """Rows whose measurement is one of many that it could be: not nothing, not the gas itself, not a limit."""
    values = bench.column("calibrations", name)
    said: Array = np.isfinite(values) & (values != 0.0) & (values != bench.column("calibrations", "applied"))
    if name == "headroom":
        said &= ~(values >= bench.of_sensor("display_limit"))
    if name == "span_gain":
        said &= ~(values >= bench.of_sensor("gain_limit")) & (values != 1.0)
    return said


def _beyond_chance(bench: Bench, telling: dict[str, Array], rows: IntArray, key: Array, shared: Array) -> Array:
    """Of the rows in `shared` those whose numbers meet far more often than measurements do that agree by chance.

    By chance, in a gas, n rows meet n times the product of the shares that each of their numbers has there.
    """
    gas = np.append(bench.codes("sensors", "gas")[0], -1)[bench.sensor_of()[rows]] + 1
    total = np.bincount(gas)
    expected = total[gas[shared]].astype(float)
    for name, said in telling.items():
        values = bench.column("calibrations", name)[rows]
        kinds = np.unique(values[shared & said[rows]])
        place = np.minimum(np.searchsorted(kinds, values), max(len(kinds) - 1, 0))
        same = kinds[place] == values if len(kinds) else np.zeros(len(values), dtype=bool)
        count = np.bincount((gas * len(kinds) + place)[same], minlength=len(total) * len(kinds) + 1)
        share = count[(gas * len(kinds) + place)[shared]] / total[gas[shared]]
        expected *= np.where((said[rows] & same)[shared], share, 1.0)
    _, back, met = np.unique(key[shared], return_inverse=True, return_counts=True)
    result = shared.copy()
    result[shared] = met[back] > _TIMES * expected
    return result


def _shared(key: Array, sensor: IntArray, fewest: int) -> Array:
    """Rows whose key at least `fewest` different sensors have."""
    result = np.zeros(len(key), dtype=bool)
    few = np.flatnonzero(crowded(key, fewest))
    order = few[np.lexsort((sensor[few], key[few]))]
    if not len(order):
        return result
    ordered, owner = key[order], sensor[order]
    group = np.cumsum(np.append(True, ordered[1:] != ordered[:-1])) - 1
    another = np.append(True, (ordered[1:] != ordered[:-1]) | (owner[1:] != owner[:-1]))
    result[order] = (np.bincount(group, weights=another) >= fewest)[group]
    return result
