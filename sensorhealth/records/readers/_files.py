"""Bounds on the files that are opened: no links, no devices, nothing that unpacks without end."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from ...errors import RecordsError

MAX_FILE_BYTES = 32 * 2**30
MAX_UNPACKED_BYTES = 64 * 2**30
MAX_WORKBOOK_BYTES = 4 * 2**30
MAX_ROWS = 1_000_000_000


def regular(path: Path) -> Path:
    """`path`, if it is a plain file within bounds. Raises RecordsError with what to do where it is not."""
    try:
        facts = os.lstat(path)
    except OSError as error:
        raise RecordsError(f"{path}: cannot be read ({error.strerror}); check the name and its permissions") from None
    if stat.S_ISLNK(facts.st_mode):
        raise RecordsError(f"{path}: is a symbolic link, which is not followed; put the file itself there")
    if not stat.S_ISREG(facts.st_mode):
        raise RecordsError(f"{path}: is not a plain file; give a file of records")
    if facts.st_size > MAX_FILE_BYTES:
        raise RecordsError(f"{path}: is larger than {MAX_FILE_BYTES >> 30} GiB; split it into parts by year in one folder")
    if not os.access(path, os.R_OK):
        raise RecordsError(f"{path}: may not be read; change its permissions")
    return path
