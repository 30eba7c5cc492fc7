"""Sentences for many sensors at once: each distinct set of facts is written once and given to all that share it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

ObjectArray = NDArray[np.object_]


def sentences(write: Callable[..., str], *facts: NDArray) -> ObjectArray:
    """`write(*facts of one sensor)` for every sensor: (n,) text from arrays of facts (n,)."""
    size = len(facts[0])
    code = np.zeros(size, dtype=np.int64)
    for fact in facts:
        part, names = pd.factorize(fact, use_na_sentinel=False)
        code = code * len(names) + part
        _, code = np.unique(code, return_inverse=True)
    _, first, code = np.unique(code, return_index=True, return_inverse=True)
    written = np.array([write(*(fact[row] for fact in facts)) for row in first], dtype=object)
    return written[code] if size else np.empty(0, dtype=object)


def days_as_text(dates: NDArray[np.datetime64]) -> ObjectArray:
    """ISO dates (n,), "" for missing."""
    days = np.asarray(dates, dtype="datetime64[D]")
    distinct, code = np.unique(days, return_inverse=True)
    written = np.array(["" if np.isnat(day) else str(day) for day in distinct], dtype=object)
    return written[code] if days.size else np.empty(0, dtype=object)


def chance_as_text(chance: NDArray[np.float64]) -> ObjectArray:
    """Probabilities (n,) in per cent for people: "below 1 %", "7 %", "above 99 %"."""
    whole = np.where(np.isnan(chance), -1, np.rint(100.0 * np.nan_to_num(chance))).astype(int)
    whole = np.where((chance > 0) & (chance < 0.01), 0, np.where((chance < 1) & (chance > 0.99), 100, whole))
    words = {-1: "unknown", 0: "below 1 %", 100: "above 99 %"}
    distinct, code = np.unique(whole, return_inverse=True)
    written = np.array([words.get(int(value), f"{value} %") for value in distinct], dtype=object)
    return written[code] if whole.size else np.empty(0, dtype=object)
