"""An SQLite file, or any database that SQLAlchemy reaches by its address; tables (or views) are only ever read."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pyarrow as pa

from ...errors import RecordsError
from ..raw import RawTable, Source, arrow_column, numbered, stacked, unique_headings
from . import shown
from ._files import regular

_ENDINGS = (".sqlite", ".sqlite3", ".db", ".db3")
_PIECE = 200_000


def accepts(where: str | Path) -> bool:
    """Whether `where` is an SQLite file by its ending, or an address like postgresql://..."""
    text = str(where)
    return "://" in text or (text.lower().endswith(_ENDINGS) and Path(text).exists())


def listed(where: str | Path) -> list[str]:
    """Names of the tables and views."""
    with _connected(where) as (connection, sqlalchemy):
        look = sqlalchemy.inspect(connection)
        return [str(name) for name in [*look.get_table_names(), *look.get_view_names()]]


def sources(where: str | Path, names: Mapping[str, str]) -> dict[str, Source]:
    """The tables of `names` (contract's name -> table, view, or schema.table) in the database at `where`."""
    found = {}
    with _connected(where) as (connection, sqlalchemy):
        look = sqlalchemy.inspect(connection)
        for table, name in names.items():
            schema, _, bare = name.rpartition(".")
            known = [*look.get_table_names(schema or None), *look.get_view_names(schema or None)]
            match = bare if bare in known else next((item for item in known if item.casefold() == bare.casefold()), "")
            if match:
                columns = [column["name"] for column in look.get_columns(match, schema or None)]
                found[table] = _table_source(where, match, schema, columns)
    return found


@contextlib.contextmanager
def _connected(where: str | Path) -> Iterator[tuple[Any, Any]]:
    """A connection and the library it is from; every failure as one RecordsError without the password."""
    try:
        import sqlalchemy
    except ImportError:
        raise RecordsError(
            f"{shown(where)}: databases need SQLAlchemy; install it with: pip install 'sensorhealth[databases]'"
        ) from None
    try:
        engine = sqlalchemy.create_engine(_address(where), poolclass=sqlalchemy.pool.NullPool)
        with engine.connect().execution_options(stream_results=True, max_row_buffer=_PIECE) as connection:
            yield connection, sqlalchemy
    except RecordsError:
        raise
    except ImportError as error:
        raise RecordsError(f"{shown(where)}: the driver for this database is missing ({error}); install it") from None
    except (sqlalchemy.exc.SQLAlchemyError, UnicodeError, ValueError) as error:
        cause = getattr(error, "orig", None) or error
        first = next(iter(str(cause).splitlines()), "")[:200]
        raise RecordsError(f"{shown(where)}: the database cannot be read ({first}); check address and rights") from None


def _address(where: str | Path) -> str:
    text = str(where)
    if "://" in text:
        return text
    path = regular(Path(text))
    return f"sqlite:///file:{quote(str(path.absolute()))}?mode=ro&uri=true"


def _table_source(where: str | Path, table: str, schema: str, columns: list[str]) -> Source:
    name = f"{shown(where)}, table {table!r}"
    headings = unique_headings(columns)
    column_of = dict(zip(headings, columns, strict=True))

    def read(asked: Sequence[str]) -> RawTable:
        pieces = []
        with _connected(where) as (connection, sqlalchemy):
            source = sqlalchemy.table(table, schema=schema or None)
            wanted = [sqlalchemy.column(column_of[heading]) for heading in asked] or [sqlalchemy.literal(1)]
            rows = connection.execute(sqlalchemy.select(*wanted).select_from(source))
            for piece in rows.partitions(_PIECE):
                cells = [arrow_column(list(values)) for values in zip(*piece, strict=True)]
                pieces.append(pa.table(cells, names=list(asked) or [""]))
        return numbered(stacked(pieces, asked))

    return Source(name, headings, read)
