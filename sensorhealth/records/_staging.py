"""Files written into a folder of their own, and the list by which a later run knows them again."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Collection, Mapping
from pathlib import Path, PurePosixPath

from ..errors import OutputError

MANIFEST = ".sensorhealth.json"
Files = Mapping[str, bytes | Callable[[Path], None]]


def refuse_names(names: Collection[str]) -> None:
    """Raise OutputError for a name that leads out of the output folder, or is the list's own."""
    for name in names:
        path = PurePosixPath(name)
        if path.is_absolute() or ".." in path.parts or not path.parts or "\\" in name or "\0" in name or name == MANIFEST:
            raise OutputError(f"cannot write a file named {name!r}: a plain name inside the output folder is needed")


def written(folder: Path) -> dict[str, str]:
    """The files that earlier runs wrote into `folder`, with the part of the output each belongs to; {} for none."""
    try:
        files = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))["files"]
        return {str(name): str(part) for name, part in files.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def stage(folder: Path, files: Files, earlier: Mapping[str, str], part: str) -> list[str]:
    """Write `files` and the list into `folder`, flushed to disk; gives the names of earlier files of other parts, which
    stay."""
    kept = [name for name, of in earlier.items() if of != part and name not in files]
    listed = dict(sorted({**{name: earlier[name] for name in kept}, **dict.fromkeys(files, part)}.items()))
    write_one(folder, MANIFEST, json.dumps({"files": listed}, indent=0).encode())
    for name, content in files.items():
        write_one(folder, name, content)
    return kept


def write_one(folder: Path, name: str, content: bytes | Callable[[Path], None]) -> None:
    """Write one file below `folder`, flushed to disk."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    if callable(content):
        content(path)
    else:
        path.write_bytes(content)
    sync(path)


def sync(path: Path) -> None:
    """Flush a file or a folder to disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def strangers(folder: Path, ours: Collection[str]) -> list[str]:
    """Names in `folder` that are not among `ours`: files at any depth, links, and folders that hold none of ours."""
    known = {*ours, MANIFEST}
    above = {str(parent) for name in ours for parent in PurePosixPath(name).parents}
    found = []
    for place, folders, names in os.walk(folder):
        inside = Path(place).relative_to(folder)
        for name in list(folders):
            relative = (inside / name).as_posix()
            if relative not in above or (folder / relative).is_symlink():
                folders.remove(name)
                found.append(relative)
        found += [relative for name in names if (relative := (inside / name).as_posix()) not in known]
    return sorted(found)


def refuse_collisions(folder: Path, names: Collection[str], ours: Collection[str]) -> None:
    """Raise OutputError where one of `names` stands in `folder` already and is not one of `ours`."""
    for name in names:
        path = folder / name
        for above in [folder / parent for parent in PurePosixPath(name).parents]:
            if above != folder and os.path.lexists(above) and (above.is_symlink() or not above.is_dir()):
                raise _collision(folder, above)
        if os.path.lexists(path) and (name not in ours or (path.is_dir() and not path.is_symlink())):
            raise _collision(folder, path)


def _collision(folder: Path, path: Path) -> OutputError:
    return OutputError(
        f"cannot write {folder}: {path.relative_to(folder).as_posix()!r} stands there already and was not written by this "
        "program; move it away or choose another folder. Nothing was changed"
    )
