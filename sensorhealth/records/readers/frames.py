"""pandas DataFrames given from Python, one for each table."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
import pyarrow as pa

from ..raw import RawTable, Source, arrow_column, numbered, unique_headings


def frame_source(frame: pd.DataFrame, table: str) -> Source:
    """`frame` as a source; its rows are numbered from 1 in the order they stand in. The frame is not changed."""
    headings = unique_headings(frame.columns)
    place = {heading: position for position, heading in enumerate(headings)}

    def read(asked: Sequence[str]) -> RawTable:
        if not asked:
            return numbered(pa.table({"": pa.nulls(len(frame))}))
        return numbered(pa.table([_column(frame.iloc[:, place[name]]) for name in asked], names=list(asked)))

    return Source(f"table {table}", headings, read)


def _column(column: pd.Series) -> pa.ChunkedArray:
    if isinstance(column.dtype, pd.CategoricalDtype) and column.cat.categories.dtype == object:
        column = column.astype(object)
    values = column.to_numpy(dtype=object) if column.dtype == object else column.array
    array = arrow_column(values)
    return array if isinstance(array, pa.ChunkedArray) else pa.chunked_array([array])
