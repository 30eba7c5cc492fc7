"""A folder with one file (or one sub-folder of parts) for each table, CSV or Parquet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from ...errors import RecordsError
from ..raw import BrokenRow, RawTable, Source, stacked
from ._delimited import delimited_source
from ._files import regular
from ._parquet import parquet_source

_READS = {
    ".csv": delimited_source, ".tsv": delimited_source, ".txt": delimited_source,
    ".csv.gz": delimited_source, ".parquet": parquet_source, ".pq": parquet_source,
}  # fmt: skip


def accepts(where: str | Path) -> bool:
    """Whether `where` is a folder."""
    return Path(where).is_dir()


def listed(where: str | Path) -> list[str]:
    """Names of the files and sub-folders that could be tables, without their endings."""
    entries = [entry for entry in _entries(Path(where)) if not entry.name.startswith(".")]
    return [entry.name[: len(entry.name) - len(_ending(entry))] for entry in entries if entry.is_dir() or _ending(entry)]


def sources(where: str | Path, names: Mapping[str, str]) -> dict[str, Source]:
    """The tables of `names` (contract's name -> file name without its ending) in folder `where`."""
    folder = Path(where)
    entries = _entries(folder)
    found = {}
    for table, name in names.items():
        fits = [entry for entry in entries if _names_table(entry, name)]
        if len(fits) > 1:
            raise RecordsError(f"{folder}: {fits[0].name} and {fits[1].name} are both the table {name!r}; keep one of them")
        if fits:
            found[table] = _source(fits[0])
    return found


def parquet_files(where: Path, name: str) -> list[Path]:
    """The files of table `name` in folder `where`, in order, if there are any and all are Parquet; else none."""
    entries = [entry for entry in _entries(where) if _names_table(entry, name)] if where.is_dir() else []
    if len(entries) != 1:
        return []
    parts = _parts(entries[0]) if entries[0].is_dir() else entries
    return [regular(part) for part in parts] if all(_READS.get(_ending(part)) is parquet_source for part in parts) else []


def _entries(folder: Path) -> list[Path]:
    try:
        return sorted(folder.iterdir())
    except OSError as error:
        raise RecordsError(f"{folder}: cannot be listed ({error.strerror}); check its permissions") from None


def _ending(path: Path) -> str:
    lower = path.name.lower()
    return next((ending for ending in _READS if lower.endswith(ending)), "")


def _names_table(entry: Path, name: str) -> bool:
    if entry.name.startswith("."):
        return False
    if entry.is_dir():
        return entry.name.casefold() == name.casefold()
    ending = _ending(entry)
    stem = entry.name[: -len(ending)] if ending else entry.name
    return entry.name.casefold() == name.casefold() or (bool(ending) and stem.casefold() == name.casefold())


def _source(path: Path) -> Source:
    if not path.is_dir():
        return _READS.get(_ending(path), delimited_source)(regular(path))
    parts = _parts(path)
    if not parts:
        raise RecordsError(f"{path}: holds no CSV or Parquet file")
    if len(parts) == 1:
        return _READS[_ending(parts[0])](regular(parts[0]))
    return _joined(path, [_READS[_ending(part)](regular(part)) for part in parts])


def _parts(path: Path) -> list[Path]:
    if path.is_symlink():
        raise RecordsError(f"{path}: is a symbolic link, which is not followed; put the folder itself there")
    return sorted(part for part in path.iterdir() if _ending(part) and not part.name.startswith("."))


def _joined(path: Path, parts: Sequence[Source]) -> Source:
    """Parts of one table read one after the other; a column that a part lacks is missing there."""
    headings = tuple(dict.fromkeys(heading for part in parts for heading in part.headings))

    def read(asked: Sequence[str]) -> RawTable:
        cells, rows, broken, before = [], [], [], 0
        for part in parts:
            piece = part.read([heading for heading in asked if heading in part.headings])
            cells.append(piece.cells)
            rows.append(piece.row + before)
            broken += [BrokenRow(bad.row + before, bad.text, bad.reason) for bad in piece.broken]
            before += piece.cells.num_rows + len(piece.broken)
        return RawTable(stacked(cells, asked), np.concatenate(rows), tuple(broken))

    return Source(str(path), headings, read)
