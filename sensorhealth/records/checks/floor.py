"""Failed spans whose headroom stands at the gas, because the instrument shows no less."""

from __future__ import annotations

import numpy as np

from ..bench import CORRECTED, DOUBTED, Batch, Bench
from ._tools import where

ORDER = 76
FINDINGS = {"at the gas value": "failed spans that all show the applied gas as their headroom: the true one is that or less"}
_FEWEST_ROWS = 5
_FEWEST_SENSORS = 3
_NEARLY_ALL = 0.9


def check(bench: Bench) -> list[Batch]:
    """The value is taken out, so that the row counts as failed with a ratio of at most 1, where nearly all failures are so."""
    applied, headroom = bench.column("calibrations", "applied"), bench.column("calibrations", "headroom")
    failed = bench.used["calibrations"] & bench.is_word("calibrations", "outcome", "fail") & (headroom <= applied) & (applied > 0)
    failed &= bench.is_word("calibrations", "kind", "span", "full")
    at = where(failed & (headroom == applied))
    sensors = len(np.unique(bench.sensor_of()[at]))
    if len(at) < _FEWEST_ROWS or sensors < _FEWEST_SENSORS or len(at) < _NEARLY_ALL * failed.sum():
        return []
    return [
        Batch("at the gas value", "calibrations", "headroom", CORRECTED, at, otherwise=DOUBTED, by="sensor_id",
              changes={"headroom": np.full(len(at), np.nan)},
              reason="failures show just the gas and never less: the true headroom is this or less, and is used so")
    ]  # fmt: skip
