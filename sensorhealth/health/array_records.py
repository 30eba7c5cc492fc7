"""Records whose fields are arrays of one length: some entries, or several records end to end."""

from __future__ import annotations

from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Record = TypeVar("Record")


def pick(record: Record, which: NDArray) -> Record:
    """Some entries of a record of arrays of equal length."""
    return type(record)(**{name: getattr(record, name)[which] for name in _names(record)})


def join(records: list[Record]) -> Record:
    """One record out of several, end to end."""
    first = records[0]
    joined = {name: np.concatenate([getattr(record, name) for record in records]) for name in _names(first)}
    return type(first)(**joined)


def _names(record: Any) -> list[str]:
    return [field.name for field in fields(record)]
