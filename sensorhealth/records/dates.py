"""Times and dates as records write them, brought to UTC.

A date like 03/04/2024 is read day first or month first only where the column itself proves which (a first number
above 12 in some rows), or a mapping states it; otherwise the reader asks.
"""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as compute

from ..errors import RecordsError
from .cells import MISSING, Cells, distinct, distinct_texts
from .raw import IntArray

TIME: Final = "datetime64[us]"
_AWARE = re.compile(r"\d[T ]\d{1,2}:?\d{2}.*(?:Z|[+-]\d{2}:?\d{2}|[+-]\d{2})$", re.IGNORECASE)
_NUMERIC = re.compile(
    r"(\d{1,2})([./-])(\d{1,2})\2(\d{4}|\d{2})"
    r"(?:,?[ T]+(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,]\d+)?)?\s*([ap])?\.?m?\.?)?",
    re.IGNORECASE,
)
_NAMED_FORMATS = (
    "%d %b %Y", "%d-%b-%Y", "%d %B %Y", "%b %d, %Y", "%B %d, %Y", "%d-%b-%y", "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d",
)  # fmt: skip
CLOCK = r"\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?(\s*[apAP]\.?[mM]\.?)?"
_CLOCKS = ("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p")
_FEW = 0.02


@dataclass(frozen=True)
class TimeFormat:
    """How times are written: a strptime format, "excel", "unix", or "" to find out; zone of times without an offset.

    proved: tells whether the table's other columns prove that the day comes first; None where they do not say.
    """

    form: str = ""
    zone: str = "UTC"
    proved: Callable[[], bool | None] = lambda: None


def times(column: pa.ChunkedArray, form: TimeFormat, where: str, missing: Collection[str] = MISSING) -> Cells:
    """A datetime64[us] array in UTC, NaT where missing. Raises RecordsError where day and month cannot be told
    apart."""
    nothing = np.empty(0, np.int64)
    kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
    if pa.types.is_null(kind):
        return Cells(np.full(len(column), "NaT", dtype=TIME), nothing, ())
    if pa.types.is_timestamp(kind):
        values = column.cast(pa.timestamp("us", tz=kind.tz), safe=False)
        stamps = pd.Series(values.to_numpy(zero_copy_only=False)).astype(TIME)
        return Cells((stamps if kind.tz else _to_utc(stamps, form.zone)).to_numpy(), nothing, ())
    if pa.types.is_date(kind):
        return Cells(column.cast(pa.timestamp("us"), safe=False).to_numpy(zero_copy_only=False), nothing, ())
    if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        codes, cells = distinct(column)
        values = np.array([np.nan if cell is None else float(cell) for cell in cells.to_pylist()], dtype=float)
        return _spread(codes, _from_numbers(values, form, where), np.isfinite(values), [f"{v:g}" for v in values])
    quick = _quick(column) if not form.form else None
    if quick is not None:
        return Cells(_to_utc(quick, form.zone).to_numpy(), nothing, (), "read as ISO 8601")
    codes, listed = distinct_texts(column)
    written = [(cell or "").strip().lstrip("'") for cell in listed]
    there = np.array([cell.casefold() not in missing for cell in written], dtype=bool)
    return _spread(codes, _from_texts(written, there, form, where), there, written)


@dataclass(frozen=True, eq=False)
class _Read:
    """Distinct cells read: stamps (k,), which were read with day and month the other way round, and a remark."""

    stamps: Any
    swapped: Any
    remark: str = ""


def _quick(column: pa.ChunkedArray) -> pd.Series | None:
    """Plain ISO 8601 without offsets and empty cells only, all at once; None where anything else is among them."""
    if not (pa.types.is_string(column.type) or pa.types.is_large_string(column.type)):
        return None
    for empty_too in (False, True):
        filled = compute.if_else(compute.equal(column, ""), pa.scalar(None, column.type), column) if empty_too else column
        with contextlib.suppress(pa.ArrowException):
            return pd.Series(filled.cast(pa.timestamp("us")).to_numpy(zero_copy_only=False)).astype(TIME)
    return None


def _spread(codes: IntArray, read: _Read, there: Any, written: Sequence[str]) -> Cells:
    values = np.append(read.stamps, np.datetime64("NaT")).astype(TIME)[codes]
    bad = np.flatnonzero(np.append(there & np.isnat(read.stamps), False)[codes]).astype(np.int64)
    swapped = np.flatnonzero(np.append(read.swapped, False)[codes]).astype(np.int64)
    return Cells(values, bad, tuple(written[code] for code in codes[bad].tolist()), read.remark, swapped)


def _to_utc(stamps: pd.Series, zone: str) -> pd.Series:
    """Local times as UTC. An hour that the clock shows twice is taken as the first; one that it skips is moved on.

    A date without a time of day stays that date.
    """
    if zone == "UTC" or stamps.empty:
        return stamps
    first = np.ones(len(stamps), dtype=bool)
    inside = (stamps > pd.Timestamp("1800-01-01")) & (stamps < pd.Timestamp("2200-01-01"))
    local = stamps.where(inside).dt.tz_localize(zone, ambiguous=first, nonexistent="shift_forward")
    return local.dt.tz_convert("UTC").dt.tz_localize(None).where(inside & (stamps != stamps.dt.normalize()), stamps)


def _from_numbers(values: Any, form: TimeFormat, where: str) -> _Read:
    if form.form == "excel":
        seconds = (values - 25569.0) * 86400.0
    elif form.form == "unix":
        seconds = values
    else:
        raise RecordsError(
            f"{where}: holds numbers, not dates; state date_format = 'excel' (days since 1900) or 'unix' (seconds "
            "since 1970) in a mapping"
        )
    sound = np.isfinite(seconds) & (np.abs(seconds) < 2e11)
    stamps = np.full(len(values), "NaT", dtype=TIME)
    stamps[sound] = (np.round(seconds[sound]) * 1_000_000).astype(np.int64).view(TIME)
    if form.form == "excel":
        stamps = _to_utc(pd.Series(stamps), form.zone).to_numpy()
    return _Read(stamps, np.zeros(len(stamps), dtype=bool), f"read as {form.form} numbers")


def _from_texts(written: list[str], there: Any, form: TimeFormat, where: str) -> _Read:
    if form.form in ("excel", "unix"):
        values = [_float(cell) if ok else np.nan for cell, ok in zip(written, there, strict=True)]
        return _from_numbers(np.array(values, dtype=float), form, where)
    cells = pd.Series(written, dtype="str").where(pd.Series(there, dtype=bool))
    if form.form:
        stamps = _to_utc(_parsed(cells, form.form), form.zone).to_numpy()
        return _Read(stamps, np.zeros(len(cells), dtype=bool), f"read as {form.form}")
    return _found_out(cells, form, where)


def _float(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


def _parsed(cells: pd.Series, form: str) -> pd.Series:
    try:
        return pd.to_datetime(cells, format=form, errors="coerce", utc=True).dt.tz_localize(None).astype(TIME)
    except (ValueError, OverflowError, re.error) as error:
        raise RecordsError(f"date format {form!r} in the mapping is not valid: {error}") from None


def _found_out(cells: pd.Series, form: TimeFormat, where: str) -> _Read:
    """ISO 8601 first, then numbers with day or month first, then names of months."""
    bare = cells.str.fullmatch(r"\d+([.,]\d+)?").fillna(False).astype(bool)
    years = cells.str.fullmatch(r"(19|20)\d{2}(\d{4})?").fillna(False).astype(bool)
    if bare.any() and bare.sum() == cells.notna().sum() and not years.any():
        _from_numbers(np.zeros(1), TimeFormat(), where)
    if len(stated := cells.dropna()) and stated.str.fullmatch(CLOCK).all():
        raise RecordsError(
            f"{where}: holds times of day without a date, like {stated.iloc[0]!r}; join it in a mapping with the column that has "
            'the dates (time = ["date", "time of day"], with your own headings)'
        )
    dated = cells.mask(bare & ~years)
    stamps = _parsed(dated, "ISO8601")
    aware = cells.str.contains(_AWARE).fillna(False).astype(bool) & stamps.notna()
    left = dated.where(stamps.isna()).dropna()
    swapped, remark = np.zeros(len(cells), dtype=bool), "read as ISO 8601"
    if len(left):
        other = _numeric_dates(left, form, where)
        stamps.loc[left.index] = _named_dates(left, pd.Series(other.stamps, index=left.index)).to_numpy()
        swapped[left.index] = other.swapped
        remark = other.remark or remark
    return _Read(stamps.where(aware, _to_utc(stamps.where(~aware), form.zone)).to_numpy(), swapped, remark)


def _named_dates(left: pd.Series, stamps: pd.Series) -> pd.Series:
    for form in _NAMED_FORMATS:
        for clock in _CLOCKS:
            missing = stamps.isna()
            if not missing.any():
                return stamps
            stamps[missing] = _parsed(left[missing], form + clock)
    return stamps


def _numeric_dates(left: pd.Series, form: TimeFormat, where: str) -> _Read:
    parts = left.str.extract("^" + _NUMERIC.pattern + "$", flags=re.IGNORECASE)
    fits = parts[0].notna()
    result = pd.Series(np.full(len(left), "NaT", dtype=TIME), index=left.index)
    swapped = pd.Series(False, index=left.index)
    if not fits.any():
        return _Read(result.to_numpy(), swapped.to_numpy())
    parts = parts[fits]
    first, second = parts[0].astype(int), parts[2].astype(int)
    day_first = _day_first(first, second, parts[1])
    day_first = form.proved() if day_first is None else day_first
    if day_first is None:
        raise RecordsError(
            f"{where}: dates like {left[fits].iloc[0]!r} could be day first or month first, and the column does not prove "
            "which; state date_format (such as '%d/%m/%Y') in a mapping"
        )
    swap = (second > 12) & (first <= 12) if day_first else (first > 12) & (second <= 12)
    day, month = (first, second) if day_first else (second, first)
    pieces = pd.DataFrame({"year": _years(parts[3]), "month": month.where(~swap, day), "day": day.where(~swap, month)})
    pieces["hour"] = _hours(parts[4], parts[7])
    pieces["minute"], pieces["second"] = parts[5].fillna("0").astype(int), parts[6].fillna("0").astype(int)
    result[fits] = pd.to_datetime(pieces, errors="coerce").astype(TIME)
    swapped[fits] = swap
    return _Read(result.to_numpy(), swapped.to_numpy(), f"dates read {'day' if day_first else 'month'} first")


def _years(texts: pd.Series) -> pd.Series:
    """Years; of two digits, 70 to 99 as 19.., 00 to 69 as 20.. ."""
    year = texts.astype(int)
    return year.where(texts.str.len() == 4, year + np.where(year < 70, 2000, 1900))


def _hours(texts: pd.Series, half: pd.Series) -> pd.Series:
    hour = texts.fillna("0").astype(int)
    return hour.where(half.isna(), hour % 12 + 12 * (half.str.lower() == "p").astype(int))


def _day_first(first: pd.Series, second: pd.Series, mark: pd.Series) -> bool | None:
    day, month = int((first > 12).sum()), int((second > 12).sum())
    few = _FEW * len(first)
    if day and month <= min(few, day / 20):
        return True
    if month and day <= min(few, month / 20):
        return False
    if not day and not month and (mark == ".").all():
        return True  # dates with points are written day first wherever they are written
    return None


def day_first_proof(columns: Iterable[pa.ChunkedArray]) -> bool | None:
    """Whether the dates in these columns prove that the day comes first (True) or the month (False); None for neither."""
    proofs = set()
    for column in columns:
        kind = column.type.value_type if pa.types.is_dictionary(column.type) else column.type
        if pa.types.is_string(kind) or pa.types.is_large_string(kind):
            cells = pd.Series([(cell or "").strip() for cell in distinct_texts(column)[1]], dtype="str")
            parts = cells.str.extract("^" + _NUMERIC.pattern + "$", flags=re.IGNORECASE).dropna(subset=[0])
            if len(parts):
                proofs.add(_day_first(parts[0].astype(int), parts[2].astype(int), parts[1]))
    proofs.discard(None)
    return proofs.pop() if len(proofs) == 1 else None
