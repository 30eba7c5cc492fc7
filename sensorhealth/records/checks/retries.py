"""Calibrations repeated because the one before failed."""

from __future__ import annotations

from ..attempts import attempts
from ..bench import KEPT, Batch, Bench
from ._tools import where

ORDER = 92
FINDINGS = {"retry": "a calibration repeated within an hour of one that failed or was broken off"}


def check(bench: Bench) -> list[Batch]:
    """Kept and numbered (column `attempt`), counted by sensor: the first failure is information, the retry is no
    duplicate.
    """
    position, attempt = attempts(bench)
    at = position[where(attempt > 1)]
    return [
        Batch("retry", "calibrations", "outcome", KEPT, at, by="sensor_id",
              reason="follows a failed or aborted one within the hour; both are used, numbered by attempt")
    ]  # fmt: skip
