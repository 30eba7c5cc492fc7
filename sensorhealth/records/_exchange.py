"""Two folders change places: the system's part of writing whole or not at all."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

from ._staging import strangers, written

_AT_FDCWD = -100
_RENAME_EXCHANGE = 2
_YOUNG_SECONDS = 60
UNFINISHED = ".unfinished"
"""Marks a folder that is still being written and has not changed places yet."""


def exchange(fresh: Path, target: Path) -> None:
    """Put folder `fresh` in the place of `target`; afterwards `fresh` holds what stood there, if anything did.

    One system call on Linux (renameat2 with RENAME_EXCHANGE). Elsewhere two renames, of which `recover` mends the gap.
    """
    for _ in range(1000):  # another run may take or make the place between the look and the rename
        if _swapped(fresh, target):
            return
        try:
            os.rename(fresh, target)  # works where nothing, or an empty folder, stands there
            return
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST):
                raise
        if not _can_swap():
            aside = fresh.with_suffix(".old")
            with contextlib.suppress(FileNotFoundError):
                os.rename(target, aside)
            os.rename(fresh, target)
            with contextlib.suppress(FileNotFoundError):
                os.rename(aside, fresh)
            return
    raise OSError(errno.EBUSY, "other runs keep writing there: try again")


def _can_swap() -> bool:
    return hasattr(ctypes.CDLL(None), "renameat2") if os.name == "posix" else False


def _swapped(fresh: Path, target: Path) -> bool:
    if not _can_swap():
        return False
    library = ctypes.CDLL(None, use_errno=True)
    done = library.renameat2(_AT_FDCWD, os.fsencode(fresh), _AT_FDCWD, os.fsencode(target), _RENAME_EXCHANGE)
    return bool(done == 0)


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Hold a lock on `folder` that ends with the process, so that others can tell a live run from a killed one."""
    try:
        import fcntl
    except ImportError:  # a system without such locks: leftovers are then never taken for dead
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def give_back(old: Path, target: Path) -> None:
    """Clear away `old`, which stood in the place of `target`; files that others had put there meanwhile go to `target`.

    What cannot go there, because a file of that name stands there, stays in `old`.
    """
    for name in strangers(old, written(old)):
        if os.path.lexists(target / name):
            return
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        os.rename(old / name, target / name)
    shutil.rmtree(old, ignore_errors=True)


def recover(target: Path) -> None:
    """Clear away what killed runs left beside `target`; put back an old folder that a kill caught between two
    renames."""
    try:
        import fcntl
    except ImportError:
        return
    with contextlib.suppress(PermissionError):
        for entry in [entry for entry in target.parent.iterdir() if entry.name.startswith(f".{target.name}.")]:
            if entry.suffix == ".old" and entry.is_dir() and not os.path.lexists(target):
                os.rename(entry, target)
            elif entry.suffix in (".new", ".old") and entry.is_dir() and not entry.is_symlink():
                with contextlib.suppress(OSError):
                    if time.time() - entry.stat().st_mtime < _YOUNG_SECONDS:
                        continue  # perhaps made a moment ago by a run that has not locked it yet
                    handle = os.open(entry, os.O_RDONLY)
                    try:
                        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                        _clear(entry, target)
                    finally:
                        os.close(handle)


def _clear(entry: Path, target: Path) -> None:
    """Delete what a killed run had begun; what it had already taken out of its place may hold files of others."""
    if (entry / UNFINISHED).exists() or not strangers(entry, written(entry)):
        shutil.rmtree(entry, ignore_errors=True)
    elif target.is_dir():
        give_back(entry, target)
