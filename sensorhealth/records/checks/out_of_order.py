"""Times that do not fit the order in which the records were kept."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, Array, Batch, Bench
from ..raw import IntArray

ORDER = 46
FINDINGS = {"out of order": "a time that does not fit its place in records kept in order"}
_FEWEST = 20
_ORDERLY = 0.98
_ASTRAY = 30 * 86_400_000_000


def check(bench: Bench) -> list[Batch]:
    """Doubted, not set aside: it may be a wrong clock or a late upload. Only for a table that is otherwise in order."""
    astray = _astray(bench.integers("time"), bench.used["calibrations"])
    reason = "the rows before and after it are of quite another time: a wrong clock or a late upload"
    return [Batch("out of order", "calibrations", "time", DOUBTED, astray, reason, by="sensor_id")]


def _astray(time: IntArray, used: Array) -> IntArray:
    """Rows far from the times around them, in a table whose rows otherwise stand in order of time."""
    rows = np.flatnonzero(used)
    if len(rows) < _FEWEST:
        return rows[:0]
    stated = time[rows]
    forward = stated[1:] >= stated[:-1]
    if forward.mean() < _ORDERLY:
        return rows[:0]
    near = np.unique(np.flatnonzero(~forward)[:, None] + np.array([0, 1]))  # either of two rows that go back may stray
    window = np.clip(near[:, None] + np.arange(-4, 5), 0, len(rows) - 1)
    astray = np.abs(stated[near] - np.median(stated[window], axis=1)) > _ASTRAY
    return rows[near[astray]]
