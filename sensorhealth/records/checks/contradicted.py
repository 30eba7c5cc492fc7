"""Results that the row's own numbers contradict."""

from __future__ import annotations

import numpy as np

from ..bench import DOUBTED, KEPT, Batch, Bench
from ._tools import headroom_ratio, where

ORDER = 82
FINDINGS = {
    "pass contradicted": "a calibration recorded as passed whose numbers say that it could not",
    "fail contradicted": "a calibration recorded as failed whose headroom and reading after adjustment are good",
    "incomplete": "a span without any number and without an outcome, as when it was broken off",
}


def check(bench: Bench) -> list[Batch]:
    """Doubted, row by row; the numbers are used as they stand. A failure may have reasons that no number shows."""
    ratio = headroom_ratio(bench)
    applied, left = bench.column("calibrations", "applied"), bench.column("calibrations", "as_left")
    adjusted = bench.used["calibrations"] & bench.is_word("calibrations", "kind", "span", "full")
    passed = adjusted & bench.is_word("calibrations", "outcome", "pass")
    failed = adjusted & bench.is_word("calibrations", "outcome", "fail")
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.abs(left / np.where(applied > 0, applied, np.nan) - 1.0)
    short, off = passed & (ratio < 0.95), passed & (error > 0.5)
    good = failed & (ratio > 1.2) & (error < 0.05)
    empty = adjusted & ~bench.stated("calibrations", "outcome")
    for name in ("as_found", "as_left", "span_gain", "headroom"):
        empty &= ~bench.stated("calibrations", name)
    return [
        Batch("pass contradicted", "calibrations", "headroom", DOUBTED, where(short), by="sensor_id",
              reason="recorded as passed, but the reading could not have been brought up to the gas"),
        Batch("pass contradicted", "calibrations", "as_left", DOUBTED, where(off & ~short), by="sensor_id",
              reason="recorded as passed, but after the adjustment the reading was more than half off the gas"),
        Batch("fail contradicted", "calibrations", "outcome", DOUBTED, where(good), by="sensor_id",
              reason="recorded as failed, but headroom and reading are good: failed for another reason?"),
        Batch("incomplete", "calibrations", "outcome", KEPT, where(empty), by="sensor_id",
              reason="no outcome and no number of the span: taken for broken off, neither pass nor fail"),
    ]  # fmt: skip
