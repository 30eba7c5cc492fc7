"""As-found readings that only repeat what the reading was adjusted to."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, Batch, Bench
from ._tools import where

ORDER = 84
FINDINGS = {"as-found not recorded": "as-found readings that all equal the gas or the reading after adjustment"}
_FEWEST = 20
_NEARLY_ALL = 0.9


def check(bench: Bench) -> list[Batch]:
    """Doubted, once for the table: headroom is still of use, but drift between calibrations cannot be told."""
    found = bench.column("calibrations", "as_found")
    told = bench.used["calibrations"] & np.isfinite(found)
    copy = told & ((found == bench.column("calibrations", "applied")) | (found == bench.column("calibrations", "as_left")))
    if told.sum() < _FEWEST or copy.sum() < _NEARLY_ALL * told.sum():
        return []
    bench.notes.append("as-found readings repeat the adjusted ones: drift between calibrations cannot be told from them")
    return [
        Batch("as-found not recorded", "calibrations", "as_found", DOUBTED, where(copy), together=True,
              reason="equal to the gas or to the reading after adjustment, as if only adjusted values were kept")
    ]  # fmt: skip
