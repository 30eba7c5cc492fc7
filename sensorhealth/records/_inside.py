"""New files put into a folder that also holds files of others, which are never touched.

All files are first written into a hidden folder inside the output. Giving that folder its final name is the moment at which the
new output counts: before it the old one is whole; after it only renames are left, which this run does, or the next one if
this run is killed.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from pathlib import Path, PurePosixPath

from ._exchange import locked
from ._staging import MANIFEST, Files, refuse_collisions, stage, sync, written

_PREFIX, _UNFINISHED, _READY = ".sensorhealth.", ".new", ".ready"


def write_inside(target: Path, files: Files, part: str) -> None:
    """Write `files` into the existing folder `target`, one run after the other. Raises OutputError on a collision."""
    with locked(target):
        finish(target)
        earlier = written(target)
        refuse_collisions(target, files, earlier)
        fresh = Path(tempfile.mkdtemp(prefix=_PREFIX, suffix=_UNFINISHED, dir=target))
        try:
            stage(fresh, files, earlier, part)
            sync(fresh)
            os.rename(fresh, fresh.with_suffix(_READY))
            sync(target)
        finally:
            shutil.rmtree(fresh, ignore_errors=True)
        finish(target)


def finish(target: Path) -> None:
    """Do what is left to do of a run that had written everything, and clear away what another had only begun."""
    for entry in sorted(target.glob(f"{_PREFIX}*")):
        if entry.is_symlink() or not entry.is_dir():
            continue
        if entry.suffix == _READY:
            _place(entry, target)
        if entry.suffix in (_READY, _UNFINISHED):
            shutil.rmtree(entry, ignore_errors=True)


def _place(ready: Path, target: Path) -> None:
    """Move each new file to its place, take away the earlier files that the new output no longer has; the list goes last.

    So a folder without its list has nothing left to give.
    """
    if not (ready / MANIFEST).exists():
        return
    new, earlier = written(ready), written(target)
    for name in new:
        if (ready / name).exists():
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(ready / name, target / name)
    for name in earlier:
        if name not in new:
            remove(target, name)
    os.replace(ready / MANIFEST, target / MANIFEST)
    sync(target)


def remove(folder: Path, name: str) -> None:
    """Take the file `name` out of `folder`, and the folders above it that are empty then."""
    with contextlib.suppress(OSError):
        (folder / name).unlink(missing_ok=True)
        for parent in PurePosixPath(name).parents:
            if parent.parts:
                (folder / parent).rmdir()
