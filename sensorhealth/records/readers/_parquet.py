"""Parquet, by column and by piece: only the asked columns are read, one row group after the other."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa

from ...errors import RecordsError
from ..raw import RawTable, Source, cell_text, numbered, unique_headings
from ._files import MAX_ROWS, MAX_UNPACKED_BYTES


def parquet_source(path: Path) -> Source:
    """The table in the Parquet file `path`; text columns come dictionary-encoded, which keeps repeated ids small."""
    import pyarrow.parquet as parquet

    try:
        schema = parquet.read_schema(path)
        facts = parquet.read_metadata(path)
    except (pa.ArrowException, OSError, ValueError) as error:
        raise _unreadable(path, error) from None
    unpacked = sum(facts.row_group(piece).total_byte_size for piece in range(facts.num_row_groups))
    if facts.num_rows > MAX_ROWS or unpacked > MAX_UNPACKED_BYTES:
        raise RecordsError(f"{path}: unpacks to {facts.num_rows} rows, {unpacked >> 30} GiB; split it by year in one folder")
    doubled = next((name for name in schema.names if schema.names.count(name) > 1), None)
    if doubled is not None:
        raise RecordsError(f"{path}: the column {doubled!r} stands there more than once; write it again with one of them")
    headings = unique_headings(schema.names)
    name_of = dict(zip(headings, schema.names, strict=True))

    def read(asked: Sequence[str]) -> RawTable:
        names = [name_of[heading] for heading in asked]
        texts = [name for name in names if _is_text(schema.field(name).type)]
        try:
            with parquet.ParquetFile(path, read_dictionary=texts) as file:
                pieces = [file.read_row_group(piece, columns=names) for piece in range(file.num_row_groups)]
                cells = pa.concat_tables(pieces) if pieces else schema.empty_table().select(names)
                cells = cells.select(names)
            if not names:
                cells = pa.table({"": pa.nulls(facts.num_rows)})
        except (pa.ArrowException, OSError, ValueError) as error:
            raise _unreadable(path, error) from None
        return numbered(_flat(cells, asked))

    return Source(str(path), headings, read)


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _flat(cells: pa.Table, asked: Sequence[str]) -> pa.Table:
    """Lists, structures and raw bytes as text: no column of the contract has them."""
    columns = []
    for column in cells.columns:
        kind = column.type
        if pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
            column = pa.chunked_array([pa.array([cell_text(v) for v in column.to_pylist()], pa.string())])
        columns.append(column)
    return pa.table(columns, names=list(asked)) if asked else cells


def _unreadable(path: Path, error: Exception) -> RecordsError:
    first = str(error).splitlines()[0] if str(error) else type(error).__name__
    return RecordsError(f"{path}: is not a Parquet file that can be read ({first[:120]}); write it again")
