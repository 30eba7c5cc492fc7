"""Text for many sensors at once: each distinct set of facts is written once and given to all that share it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

IntArray = NDArray[np.intp]
ObjectArray = NDArray[np.object_]
_LONGEST_SPAN = 200_000  # days; dates further apart than that are written one by one


def codes(values: NDArray) -> tuple[list[str], IntArray]:
    """The distinct texts of `values` (n,) in alphabetical order, and the position (n,) of each value in them."""
    code, names = pd.factorize(values, sort=True)
    return [str(name) for name in names], code.astype(np.intp)


def sentences(write: Callable[..., str], *facts: NDArray) -> ObjectArray:
    """`write(*facts of one sensor)` for every sensor: (n,) text from arrays of facts (n,)."""
    code = np.zeros(len(facts[0]), dtype=np.int64)
    for fact in facts:
        part, names = pd.factorize(fact, use_na_sentinel=False)
        code = pd.factorize(code * len(names) + part)[0]
    first = np.empty(code.max(initial=-1) + 1, dtype=np.intp)
    first[code[::-1]] = np.arange(code.size)[::-1]
    written = np.array([write(*values) for values in zip(*(fact[first] for fact in facts))], dtype=object)
    return written[code] if code.size else np.empty(0, dtype=object)


def days_as_text(dates: NDArray[np.datetime64]) -> ObjectArray:
    """ISO dates (n,), "" for missing."""
    days = np.asarray(dates, dtype="datetime64[D]")
    known = ~np.isnat(days)
    found = np.full(days.size, "", dtype=object)
    if known.any():
        number = days[known].astype(np.int64)
        low, high = number.min(), number.max()
        span = np.arange(low, high + 1) if high - low < _LONGEST_SPAN else np.unique(number)
        words = np.datetime_as_string(span.astype("datetime64[D]")).astype(object)
        found[known] = words[np.searchsorted(span, number)] if span.size <= high - low else words[number - low]
    return found


def chance_as_text(chance: NDArray[np.float64]) -> ObjectArray:
    """Probabilities (n,) in per cent for people: "below 1 %", "7 %", "above 99 %"; "unknown" for NaN."""
    whole = np.rint(100.0 * np.nan_to_num(chance)).astype(int)
    whole = np.where(chance < 0.01, 0, np.where(chance > 0.99, 100, whole))
    words = np.array(["below 1 %", *(f"{value} %" for value in range(1, 100)), "above 99 %", "unknown"], dtype=object)
    return words[np.where(np.isnan(chance), 101, whole)]
