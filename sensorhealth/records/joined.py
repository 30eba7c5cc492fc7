"""Several columns of the records that together are one of the contract's."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as compute

from .cells import MISSING, distinct_texts

_MIDNIGHT = re.compile(r"(?<=\d)[T ]0?0:00(:00(\.0+)?)?$")
_DAY_ZERO = re.compile(r"^(1899-12-3[01]|1900-01-0[01]|1904-01-01|1970-01-01)[T ](?=\d)")
"""What a spreadsheet puts before a time of day that it keeps as a date."""


def joined_texts(cells: pa.Table, headings: Sequence[str]) -> pa.ChunkedArray:
    """Several columns as one text, parted by "/"; missing where one of them is."""
    columns = [_texts(cells.column(heading)) for heading in headings]
    return pa.chunked_array([compute.binary_join_element_wise(*columns, pa.scalar("/", pa.large_string()))])


def joined_times(cells: pa.Table, headings: Sequence[str]) -> pa.ChunkedArray:
    """A column of dates and one of times of day as one; a date without a time of day stays a date."""
    date = _texts(cells.column(headings[0]), lambda text: _MIDNIGHT.sub("", text))
    rest = [_texts(cells.column(heading), lambda text: _DAY_ZERO.sub("", text)) for heading in headings[1:]]
    whole = compute.binary_join_element_wise(
        date, *rest, pa.scalar(" ", pa.large_string()), null_handling="replace", null_replacement=""
    )
    return pa.chunked_array(
        [compute.if_else(date.is_null(), pa.scalar(None, pa.large_string()), compute.utf8_trim_whitespace(whole))]
    )


def _texts(column: pa.ChunkedArray, change: Callable[[str], str] = str) -> pa.Array:
    codes, words = distinct_texts(column)
    clean = [None if word is None or word.strip().casefold() in MISSING else change(word.strip()) for word in words]
    return pa.array([*clean, None], pa.large_string()).take(pa.array(np.where(codes < 0, len(clean), codes)))
