"""Calibrations that were uploaded twice."""

from __future__ import annotations

from ... import nomenclature
from ..bench import SET_ASIDE, Batch, Bench
from ._tools import repeats, row_keys, where

ORDER = 35
FINDINGS = {"duplicate": "a row that stands there already, equal in every column"}


def check(bench: Bench) -> list[Batch]:
    """Of calibrations equal in every column the first is used. Retries differ in time or result and are not touched."""
    rows = where(bench.used["calibrations"])
    again, first = repeats(row_keys(bench, "calibrations", list(nomenclature.columns("calibrations"))), rows)
    numbers = bench.tables["calibrations"]["row"].to_numpy()[first]
    reasons = [f"equal to row {row}, which is used" for row in numbers]
    return [Batch("duplicate", "calibrations", "time", SET_ASIDE, again, reasons=reasons)]
