"""What several checks need."""

from __future__ import annotations

import numpy as np

from ..bench import Array, Bench
from ..raw import IntArray

DAY = np.timedelta64(1, "D")
TABLES = ("sensors", "calibrations", "cylinders")
MEASURED = ("applied", "zero_offset", "as_found", "as_left", "span_gain", "headroom")

CONCENTRATIONS = ("applied", "zero_offset", "as_found", "as_left", "headroom", "concentration")
"""Columns whose cells may state a unit of concentration behind the number."""


def where(mask: Array) -> IntArray:
    """Positions at which `mask` is true."""
    return np.flatnonzero(mask).astype(np.int64)


def whole_day(times: Array) -> Array:
    """Times cut down to their day."""
    return times.astype("datetime64[D]").astype("datetime64[us]")


def swapped(time: Array) -> Array:
    """Each time with day and month exchanged; NaT where that gives no date or the same one."""
    day = time.astype("datetime64[D]")
    month = time.astype("datetime64[M]")
    year = time.astype("datetime64[Y]")
    day_number = (day - month.astype("datetime64[D]")).astype(np.int64)  # 0-based; meaningless for NaT, masked below
    month_number = (month - year.astype("datetime64[M]")).astype(np.int64)
    ok = ~np.isnat(time) & (day_number < 12) & (day_number != month_number)
    day_number, month_number = np.where(ok, day_number, 0), np.where(ok, month_number, 0)
    new_month = year.astype("datetime64[M]") + day_number.astype("timedelta64[M]")
    new_day = new_month.astype("datetime64[D]") + month_number.astype("timedelta64[D]")
    new = new_day.astype("datetime64[us]") + (time - day.astype("datetime64[us]"))
    return np.where(ok, new, np.datetime64("NaT", "us"))


def last_moment(days: Array) -> Array:
    """The end of a day that is stated without a time of day, else the stated time itself."""
    return np.where(days == whole_day(days), days + DAY - np.timedelta64(1, "us"), days)


def cells(bench: Bench, table: str, name: str) -> Array:
    """A column as numbers that compare as its cells do: codes of texts, times as integers, numbers."""
    values = bench.tables[table][name]
    if hasattr(values, "cat"):
        codes: Array = values.cat.codes.to_numpy().astype(np.int64)
        return codes
    array = values.to_numpy()
    return array.view("int64") if array.dtype.kind == "M" else np.asarray(array)


def row_keys(bench: Bench, table: str, names: list[str], rows: IntArray) -> Array:
    """A number for each of `rows`, equal where all cells in `names` are equal (missing equals missing)."""
    key = np.zeros(len(rows), dtype=np.uint64)
    with np.errstate(over="ignore"):
        for name in names:
            key = _mixed(key + np.uint64(0x9E3779B97F4A7C15) + _bits(cells(bench, table, name)[rows]))
    return key


def _bits(values: Array) -> Array:
    if values.dtype.kind == "f":
        values = np.where(np.isnan(values), np.nan, values + 0.0)  # one bit pattern for missing, one for zero
    return np.ascontiguousarray(values).view(np.uint64)


def _mixed(key: Array) -> Array:
    """The finaliser of SplitMix64: every bit of the key depends on every bit before it."""
    key = (key ^ (key >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    key = (key ^ (key >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    mixed: Array = key ^ (key >> np.uint64(31))
    return mixed


def repeats(key: Array, rows: IntArray) -> tuple[IntArray, IntArray]:
    """Of `rows`, with a `key` each, those whose key a row before them has: positions in `rows` of it and of the
    first."""
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    new = np.append(True, ordered[1:] != ordered[:-1]) if len(ordered) else np.empty(0, bool)
    first = np.maximum.accumulate(np.where(new, np.arange(len(ordered)), 0))
    again = np.flatnonzero(~new)
    back = np.argsort(order[again], kind="stable")
    return order[again][back].astype(np.int64), order[first[again]][back].astype(np.int64)


def either_of(pairs: Array, rows: IntArray) -> IntArray:
    """Of `rows` (n,) those that are one of two neighbours for which `pairs` (n - 1,) is true."""
    chosen = np.zeros(len(rows), dtype=bool)
    chosen[:-1] |= pairs
    chosen[1:] |= pairs
    return rows[chosen]


def crowded(key: Array, fewest: int) -> Array:
    """Rows whose key at least `fewest` rows may share: none of those that do is missed, few others are let through."""
    bits = int(np.clip(np.log2(max(len(key), 2)) + 1, 8, 24))
    with np.errstate(over="ignore"):
        bucket = (_mixed(key.view(np.uint64)) >> np.uint64(64 - bits)).astype(np.int64)
    often: Array = np.bincount(bucket, minlength=1 << bits) >= fewest
    enough: Array = often[bucket]
    return enough


def headroom_ratio(bench: Bench) -> Array:
    """(n calibrations,) headroom over applied gas; NaN where either is missing or nothing was applied."""
    headroom, applied = bench.column("calibrations", "headroom"), bench.column("calibrations", "applied")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio: Array = np.where(applied > 0, headroom / applied, np.nan)
    return ratio


def group_median(group: Array, values: Array, fewest: int = 1) -> dict[int, float]:
    """Median of `values` in each `group` (codes, -1 for none) with at least `fewest` finite values."""
    there = np.isfinite(values) & (group >= 0)
    group, values = group[there], values[there]
    order = np.lexsort((values, group))
    group, values = group[order], values[order]
    starts = np.flatnonzero(np.append(True, group[1:] != group[:-1])) if len(group) else np.empty(0, np.int64)
    sizes = np.diff(np.append(starts, len(group)))
    middle = 0.5 * (values[starts + (sizes - 1) // 2] + values[starts + sizes // 2])
    return {int(code): float(m) for code, m, size in zip(group[starts], middle, sizes, strict=True) if size >= fewest}


def looked_up(table: dict[int, float], group: Array) -> Array:
    """The table's value for each group, NaN where it has none."""
    return np.array([table.get(int(code), np.nan) for code in group], dtype=float)
