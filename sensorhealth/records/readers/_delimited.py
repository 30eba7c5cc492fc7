"""Text tables as the field writes them: any usual delimiter, encoding, line end and quoting.

Cells stay text here. A row that has too many or too few cells is handed over as broken, with its number and its text.
"""

from __future__ import annotations

import csv
import gzip
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any, cast

import numpy as np
import pyarrow as pa
import pyarrow.compute as compute

from ...errors import RecordsError
from ..raw import HEAD_ROWS, BrokenRow, RawTable, Source, are_words, numbered, title_note, unique_headings
from ._files import MAX_UNPACKED_BYTES

_HEAD_BYTES = 1 << 20
_BLOCK_BYTES = 1 << 23
_DELIMITERS = (",", ";", "\t", "|")


@dataclass(frozen=True)
class _Form:
    """How one file is written. skip: lines before the first data row; quotes: whether the file has any quote at all; note: what
    stands above the headings."""

    encoding: str
    delimiter: str
    headings: tuple[str, ...]
    skip: int
    quotes: bool
    note: str


class _Bounded(io.RawIOBase):
    """A stream that gives one clear error instead of unpacking without end."""

    def __init__(self, stream: IO[bytes], path: Path) -> None:
        self._stream, self._path, self._read = stream, path, 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        try:
            piece = self._stream.read(len(buffer))
        except (OSError, EOFError, ValueError) as error:
            raise RecordsError(f"{self._path}: cannot be unpacked ({error}); pack it again") from None
        self._read += len(piece)
        if self._read > MAX_UNPACKED_BYTES:
            raise RecordsError(f"{self._path}: unpacks to more than {MAX_UNPACKED_BYTES >> 30} GiB; split it by year")
        buffer[: len(piece)] = piece
        return len(piece)

    def close(self) -> None:
        self._stream.close()
        super().close()


def _open(path: Path) -> IO[bytes]:
    packed = path.name.lower().endswith(".gz")
    stream = cast("IO[bytes]", gzip.GzipFile(path) if packed else io.FileIO(path))
    return cast("IO[bytes]", io.BufferedReader(_Bounded(stream, path), buffer_size=1 << 20))


def delimited_source(path: Path) -> Source:
    """The table in the delimited text file `path`. Raises RecordsError where it has no heading line."""
    form = _form(path)

    def read(asked: Sequence[str]) -> RawTable:
        encodings = [form.encoding] if form.encoding != "utf-8" else ["utf-8", "cp1252", "latin-1"]
        for encoding in encodings:
            try:
                table = _read(path, form, encoding, asked)
            except UnicodeError:
                continue
            doubt = f"{path} is not UTF-8 and was read as {encoding}: check names with accents"
            notes = [form.note] + ([] if encoding == form.encoding else [doubt])
            return replace(table, note="; ".join(filter(None, notes)))
        raise RecordsError(f"{path}: is not text in {form.encoding}; save it as UTF-8")

    return Source(str(path), form.headings, read)


def _form(path: Path) -> _Form:
    with _open(path) as stream:
        head = stream.read(_HEAD_BYTES)
        quotes = b'"' in head
        while not quotes and (piece := stream.read(_BLOCK_BYTES)):
            quotes = b'"' in piece
    encoding = _encoding(head)
    text = head.decode(encoding, errors="replace").removeprefix("\ufeff")
    if len(head) == _HEAD_BYTES:
        text = text[: max(text.rfind("\n"), text.rfind("\r")) + 1]
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    first = next((number for number, line in enumerate(lines) if line.strip() and not _is_hint(line)), None)
    if first is None:
        raise RecordsError(f"{path}: is empty; the first line must hold the headings of the columns")
    skip = _heading_line(lines, first)
    note = title_note(str(path), ["" if _is_hint(line) else line for line in lines[:skip]])
    delimiter = _delimiter(lines[skip])
    try:
        reader = csv.reader(io.StringIO("\n".join(lines[skip:])), delimiter=delimiter)
        names = next(reader)
        skip += reader.line_num
        widths = Counter(len(cells) for cells, _ in zip(reader, range(100)) if cells)
    except csv.Error as error:
        raise RecordsError(f"{path}: the heading line cannot be read ({error}); save the file again as plain CSV") from None
    usual = widths.most_common(1)[0][0] if widths else len(names)
    names += [""] * (usual - len(names))
    return _Form(encoding, delimiter, unique_headings(names), skip, quotes, note)


def _is_hint(line: str) -> bool:
    """A first line like `sep=;`, which some spreadsheets write for themselves."""
    return len(line.strip()) == 5 and line.strip().lower().startswith("sep=")


def _encoding(head: bytes) -> str:
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    sample = head[:2000]
    if sample and sample.count(b"\0") > len(sample) // 4:
        return "utf-16-le" if sample[1:2] == b"\0" else "utf-16-be"
    return "utf-8"


def _heading_line(lines: Sequence[str], first: int) -> int:
    """The line of headings: the first that has at least half as many cells as the fullest line under it."""
    for place in range(first, min(first + HEAD_ROWS, len(lines))):
        below = lines[place : place + HEAD_ROWS]
        own = _delimiter(lines[place])
        tried = (own,) if own in lines[place] else _DELIMITERS  # a line without any says nothing about those under it
        cells = _cells(lines[place], own)
        filled = sum(map(bool, cells))
        fullest = max(sum(map(bool, _cells(line, delimiter))) for line in below for delimiter in tried)
        if filled and 2 * filled >= fullest and (place == first or are_words(cells)):
            return place
    return first


def _cells(line: str, delimiter: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter), [])]
    except csv.Error:
        return []


def _delimiter(line: str) -> str:
    outside = "".join(line.split('"')[::2])
    counts = {delimiter: outside.count(delimiter) for delimiter in _DELIMITERS}
    best = max(counts, key=lambda delimiter: counts[delimiter])
    return best if counts[best] else ","


def _read(path: Path, form: _Form, encoding: str, asked: Sequence[str]) -> RawTable:
    """Read the asked columns; all of them where quotes could hide a row within a cell. Raises UnicodeError to try
    again."""
    wanted = list(form.headings) if form.quotes else list(asked)
    broken: list[BrokenRow] = []
    try:
        cells = _arrow(path, form, encoding, wanted, broken, numbers=False)
        if broken:
            broken.clear()
            cells = _arrow(path, form, encoding, wanted, broken, numbers=True)
    except UnicodeError:
        raise
    except (pa.ArrowException, OSError, ValueError) as error:
        if "UTF8" in str(error):
            raise UnicodeError from None
        if "Could not skip initial" in str(error):  # a heading line and nothing under it
            return numbered(pa.table({name: pa.array([], pa.string()) for name in asked}))
        first = str(error).splitlines()[0]
        raise RecordsError(f"{path}: cannot be read as a table ({first[:150]}); save it again as plain CSV") from None
    if form.quotes:
        _refuse_swallowed_rows(path, form, cells, broken)
    return numbered(cells.select(list(asked)) if asked else cells, tuple(sorted(broken, key=lambda bad: bad.row)))


def _arrow(path: Path, form: _Form, encoding: str, wanted: Sequence[str], broken: list[BrokenRow], *, numbers: bool) -> pa.Table:
    """One pass of Arrow's reader. numbers: read in one thread, so that broken rows come with their numbers."""
    from pyarrow import csv as arrow_csv

    def handler(bad: arrow_csv.InvalidRow) -> str:
        reason = f"has {bad.actual_columns} cells where the heading has {bad.expected_columns}"
        broken.append(BrokenRow((bad.number or 0) - form.skip, bad.text[:500], reason))
        return "skip"

    with _open(path) as stream:
        return arrow_csv.read_csv(
            stream,
            read_options=arrow_csv.ReadOptions(
                use_threads=not numbers, block_size=_BLOCK_BYTES, skip_rows=form.skip, column_names=list(form.headings),
                encoding="utf8" if encoding == "utf-8" else encoding,
            ),
            parse_options=arrow_csv.ParseOptions(
                delimiter=form.delimiter, quote_char='"' if form.quotes else False, newlines_in_values=form.quotes,
                invalid_row_handler=handler,
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types={name: pa.string() for name in form.headings}, include_columns=list(wanted),
                null_values=[""], strings_can_be_null=True,
            ),
        )  # fmt: skip


def _refuse_swallowed_rows(path: Path, form: _Form, cells: pa.Table, broken: Sequence[BrokenRow]) -> None:
    """One clear error where a quote that is never closed has taken whole lines of the table into one cell."""
    enough = max(len(form.headings) - 1, 1)
    for heading, column in zip(cells.column_names, cells.columns, strict=True):
        if not _holds_line_ends(column):
            continue
        hits = compute.indices_nonzero(compute.match_substring_regex(column, "[\r\n]"))
        for position in hits.to_pylist():
            inner = str(column[position].as_py()).replace("\r", "\n").split("\n")[1:]
            if any(line.count(form.delimiter) >= enough for line in inner):
                raise _unclosed(path, numbered(cells, tuple(broken)).row[position], heading)
    for bad in broken:
        if "\n" in bad.text.strip() or "\r" in bad.text.strip():
            raise _unclosed(path, bad.row, "unknown")


def _holds_line_ends(column: pa.ChunkedArray) -> bool:
    """Whether any cell of a column of text holds a line end: a look at its bytes, many times faster than at its cells."""
    for chunk in column.chunks:
        data = chunk.buffers()[2]
        if data is not None:
            letters = np.frombuffer(data, dtype=np.uint8)
            if (letters == 10).any() or (letters == 13).any():
                return True
    return False


def _unclosed(path: Path, row: int, heading: str) -> RecordsError:
    return RecordsError(
        f"{path}: row {row}, column {heading!r}: a quote is opened and not closed, so that the rows under it are taken "
        "for one cell; close it or take it out"
    )
