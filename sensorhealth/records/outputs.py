"""Writing: a folder of files whole or not at all, and tables as CSV that a spreadsheet may open safely.

A run that is killed at any moment leaves either the old folder or the new one, each complete: files are written to a
hidden sibling of the output, flushed to disk, and the two folders change places in one system call where the system
has one. A folder that holds files of others keeps its place, and the new files are put into it (`_inside`).
"""

from __future__ import annotations

import contextlib
import csv
import errno
import io
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from ..errors import OutputError
from ._exchange import UNFINISHED, exchange, give_back, locked, recover
from ._inside import write_inside
from ._staging import Files, refuse_names, stage, strangers, sync, written

_TOGETHER = 100_000  # rows of a CSV file that are written at once
_TO_BE_QUOTED = re.compile(r'[,"\r\n]')
_RUNS_IN_A_SPREADSHEET = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
_HINTS = {
    errno.ENOSPC: "the disk is full: free some space or choose another place",
    errno.EDQUOT: "your disk quota is used up: free some space or choose another place",
    errno.EROFS: "the place can only be read: choose another folder",
    errno.EACCES: "you may not write there: choose another folder or change its permissions",
    errno.EPERM: "you may not write there: choose another folder or change its permissions",
    errno.ENOENT: "the folder above it does not exist",
    errno.ENOTDIR: "a file stands where a folder is needed",
    errno.ENAMETOOLONG: "the name is too long",
}


def neutralise(text: str) -> str:
    """`text` so that a spreadsheet shows it instead of running it: a leading = + - @ tab or line end gets an
    apostrophe.

    Numbers written as text ("-5", "+1e3") are left alone: they are harmless. `plain` undoes it.
    """
    if not text.startswith(_RUNS_IN_A_SPREADSHEET):
        return text
    try:
        float(text)
    except ValueError:
        return "'" + text
    return text


def plain(text: str) -> str:
    """The text that `neutralise` was given."""
    return text[1:] if text.startswith("'") and text[1:].startswith(_RUNS_IN_A_SPREADSHEET) else text


def csv_bytes(frame: pd.DataFrame, digits: int | None = 6) -> bytes:
    """`frame` as CSV: UTF-8, commas, LF, ISO dates (with the time of day where a column has any), empty for missing.

    Numbers carry `digits` significant digits (None: as many as it takes to read the same number back); true and false
    are in lower case; text that a spreadsheet would run is neutralised. The index is not written.
    """
    return b"".join(_csv_parts(frame, digits))


def csv_content(frame: pd.DataFrame) -> bytes | Callable[[Path], None]:
    """`csv_bytes(frame)`, or what writes them to a path piece by piece where they are many."""
    if len(frame) <= _TOGETHER:
        return csv_bytes(frame)

    def write(path: Path) -> None:
        with path.open("wb") as file:
            file.writelines(_csv_parts(frame, 6))

    return write


def _csv_parts(frame: pd.DataFrame, digits: int | None) -> Iterator[bytes]:
    """The lines of the file, a piece at a time."""
    whole = whole_days(frame)
    for start in range(0, max(len(frame), 1), _TOGETHER):
        yield csv_piece(frame.iloc[start : start + _TOGETHER], whole, header=start == 0, digits=digits)


def whole_days(frame: pd.DataFrame) -> dict[str, bool]:
    """Of each column whether it holds times that are all whole days."""
    return {str(name): _whole_days(frame[name]) for name in frame.columns}


def csv_piece(piece: pd.DataFrame, whole: Mapping[str, bool], *, header: bool, digits: int | None = 6) -> bytes:
    """Some rows of a table as in `csv_bytes`; whole: as from `whole_days` of all its rows. header: headings come first."""
    columns = [_as_text(piece[name], digits, whole[str(name)]) for name in piece.columns]
    lines = [",".join(_field(str(name)) for name in piece.columns)] if header else []
    if len(columns) == 1:  # a line with nothing on it would not be read again
        columns = [[text or '""' for text in columns[0]]]
    lines += map(",".join, zip(*columns))
    return ("\n".join(lines) + "\n").encode("utf-8") if lines else b""


def with_hours(piece: bytes, columns: Sequence[int], *, header: bool) -> bytes:
    """Rows as from `csv_piece` whose times in some columns were written as whole days, with the time of day (midnight)."""
    text = io.StringIO(newline="")
    rows = csv.reader(io.StringIO(piece.decode("utf-8"), newline=""))
    lines = csv.writer(text, lineterminator="\n")
    for number, row in enumerate(rows):
        if number or not header:
            for column in columns:
                row[column] += "T00:00:00" if row[column] else ""
        lines.writerow(row)
    return text.getvalue().encode("utf-8")


def _field(text: str) -> str:
    """Text as it stands in a CSV file: in quotes where it has to be."""
    return '"' + text.replace('"', '""') + '"' if _TO_BE_QUOTED.search(text) else text


def _as_text(column: pd.Series, digits: int | None, whole_days: bool) -> Sequence[str]:
    """The fields of a column, in quotes where they have to be."""
    if pd.api.types.is_datetime64_any_dtype(column):
        form = "%Y-%m-%d" if whole_days else "%Y-%m-%dT%H:%M:%S"
        return _each_once(column, lambda times: _in_utc(pd.Series(times)).dt.strftime(form))
    if pd.api.types.is_bool_dtype(column.dtype):
        return column.map({True: "true", False: "false"}).astype(object).fillna("").tolist()
    if pd.api.types.is_float_dtype(column):
        return _floats_as_text(column, digits)
    if pd.api.types.is_numeric_dtype(column):
        return ["" if value is pd.NA else str(value) for value in column.tolist()]
    texts = column.astype(object)
    if pd.api.types.infer_dtype(texts, skipna=True) == "string":
        return _each_once(texts, lambda names: [_field(neutralise(name)) for name in names])
    return ["" if pd.isna(value) else _field(neutralise(_scalar(value))) for value in texts]


def _each_once(column: pd.Series, write: Callable[[Any], Sequence[str]]) -> Sequence[str]:
    """Text of every value, each distinct one written once; empty for missing."""
    code, values = pd.factorize(column)
    texts: list[str] = np.append(np.asarray(write(values), dtype=object), "")[code].tolist()
    return texts


def _whole_days(column: pd.Series) -> bool:
    """Whether all times of a column (if it has any) are days."""
    if not pd.api.types.is_datetime64_any_dtype(column):
        return False
    times = _in_utc(column).dropna()
    return bool((times == times.dt.normalize()).all())


def _in_utc(times: pd.Series) -> pd.Series:
    return times if times.dt.tz is None else times.dt.tz_convert("UTC").dt.tz_localize(None)


def _scalar(value: object) -> str:
    if isinstance(value, bool | np.bool_):
        return "true" if value else "false"
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d" if value == value.normalize() else "%Y-%m-%dT%H:%M:%S")
    return str(value)


def _floats_as_text(column: pd.Series, digits: int | None) -> Sequence[str]:
    values = column.to_numpy(dtype=float, na_value=np.nan)
    texts = np.full(values.size, "", dtype=object)
    known = np.isfinite(values) if digits is None else ~np.isnan(values)
    if digits is None:
        texts[known] = [np.format_float_positional(value, trim="-") for value in values[known]]
    else:
        texts[known] = list(map(f"%.{digits}g".__mod__, values[known].tolist()))
        for at in np.flatnonzero(np.abs(values) >= 10.0**digits):
            texts[at] = f"{values[at]:.0f}"
    texts[texts == "-0"] = "0"
    return texts.tolist()


def write_folder(files: Files, out: Path | str, *, protect: Sequence[Path | str] = (), part: str = "output") -> None:
    """Write `files` (name -> content, or a function that writes the file at the path it is given) into the folder `out`.

    All or nothing: `out` is either as it was or complete, with several runs at once too. `out` may exist and hold
    other files: these stay as they are, and a name that one of them has is refused. Files of an earlier run of the same
    `part` are replaced or, where the new output does not have them, taken away. A folder that is new, or holds nothing
    but earlier output, changes in one step, at any moment of a kill; in a folder with files of others each new file
    takes its place in one step, and what a kill leaves undone the next run finishes. Refused is a folder that is,
    holds, or lies in one of `protect` (the input). Raises OutputError with one clear line.
    """
    target = Path(os.path.abspath(out))
    _refuse_input(target, protect)
    refuse_names(files)
    if target.is_symlink() or (target.exists() and not target.is_dir()):
        raise OutputError(f"cannot write {target}: it is not a folder (or is a symbolic link); choose another name")
    with _explained(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        recover(target)
        if _may_be_exchanged(target):
            _write_beside(target, files, part)
        else:
            write_inside(target, files, part)


@contextlib.contextmanager
def workspace(out: Path | str, *, protect: Sequence[Path | str] = ()) -> Iterator[Path]:
    """A hidden folder beside `out` for what is to become its files, taken away in the end; refuses what `write_folder` does.

    Raises OutputError with one clear line.
    """
    target = Path(os.path.abspath(out))
    _refuse_input(target, protect)
    with _explained(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        place = tempfile.TemporaryDirectory(prefix=f".{target.name}.", suffix=".parts", dir=target.parent)
    with place as name:
        yield Path(name)


def _may_be_exchanged(target: Path) -> bool:
    """Whether another folder may take the place of `target`: nobody else's files are in it, nobody stands in it."""
    if not target.exists():
        return True
    if os.path.ismount(target) or not os.access(target.parent, os.W_OK):
        return False
    here = Path(os.path.realpath("."))
    real = Path(os.path.realpath(target))
    return real != here and real not in here.parents and not strangers(target, written(target))


def _write_beside(target: Path, files: Files, part: str) -> None:
    fresh = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".new", dir=target.parent))
    changed = False
    try:
        with locked(fresh):
            (fresh / UNFINISHED).touch()
            for name in stage(fresh, files, written(target), part):
                _carry_over(target / name, fresh / name)
            os.chmod(fresh, target.stat().st_mode if target.exists() else 0o777 & ~_umask())
            (fresh / UNFINISHED).unlink()
            sync(fresh)
            exchange(fresh, target)
            changed = True
            if fresh.exists():
                give_back(fresh, target)
    finally:
        if not changed:
            shutil.rmtree(fresh, ignore_errors=True)


def write_file(content: bytes, path: Path | str, *, protect: Sequence[Path | str] = ()) -> None:
    """Write one file whole or not at all, replacing an earlier one in a single step.

    Raises OutputError with one clear line; refuses to write into or over one of `protect` (the input).
    """
    target = Path(os.path.abspath(path))
    _refuse_input(target, protect)
    with _explained(target):
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, fresh = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".new", dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            os.chmod(fresh, 0o666 & ~_umask())
            os.replace(fresh, target)
        finally:
            Path(fresh).unlink(missing_ok=True)


@contextlib.contextmanager
def _explained(target: Path) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        hint = _HINTS.get(error.errno or 0, error.strerror or str(error))
        raise OutputError(f"cannot write {target}: {hint}; the earlier output, if any, is untouched") from None


def _refuse_input(target: Path, protect: Sequence[Path | str]) -> None:
    real = Path(os.path.realpath(target))
    for path in protect:
        source = Path(os.path.realpath(path))
        if real == source or (source.is_dir() and real in source.parents) or source in real.parents:
            raise OutputError(f"cannot write {target}: it is, holds or lies in the input {path}; choose another folder")


def _carry_over(source: Path, copy: Path) -> None:
    copy.parent.mkdir(parents=True, exist_ok=True)
    with contextlib.suppress(FileNotFoundError):
        try:
            os.link(source, copy, follow_symlinks=False)
        except OSError:
            shutil.copy2(source, copy, follow_symlinks=False)


def _umask() -> int:
    current = os.umask(0o022)
    os.umask(current)
    return current
