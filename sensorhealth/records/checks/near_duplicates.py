"""Calibrations that were uploaded twice with a rounded or shifted time."""

from __future__ import annotations

import numpy as np

from ... import nomenclature
from ..attempts import sorted_order
from ..bench import DOUBTED, SET_ASIDE, Array, Batch, Bench, shown
from ..raw import IntArray
from ._tools import MEASURED, row_keys, where

ORDER = 55
FINDINGS = {
    "near duplicate": "the same measurements of the same sensor within two minutes, or with the time of day left out",
    "time zone suspect": "the same measurements of the same sensor some whole hours apart",
}
_MINUTE = 60_000_000
_HOUR = 60 * _MINUTE
_FEWEST = 3


def check(bench: Bench) -> list[Batch]:
    """Set aside where at least two measurements are equal; whole hours apart only doubted, as a repeated test may
    look so.

    Genuine retries differ in what was measured or in the outcome, and are kept.
    """
    names = [name for name in nomenclature.columns("calibrations") if name != "time"]
    key = row_keys(bench, "calibrations", names)
    stated = sum(bench.stated("calibrations", name).astype(np.int8) for name in (*MEASURED, "response_seconds"))
    rows = where(bench.used["calibrations"] & (np.asarray(stated) >= 2))
    time = bench.column("calibrations", "time").astype("datetime64[us]").astype(np.int64)
    rows = rows[sorted_order(key[rows], time[rows])]
    same = np.append(False, key[rows][1:] == key[rows][:-1])
    if not same.any():
        return []
    gap = np.append(0, np.diff(time[rows]))
    dateless = same & (np.append(0, time[rows][:-1]) % (24 * _HOUR) == 0) & (gap < 24 * _HOUR) & (gap > 0)
    close = same & ((gap <= 2 * _MINUTE) | dateless)
    shifted = same & ~close & (gap <= 14 * _HOUR) & (gap % (_HOUR // 2) == 0)
    shifted &= (np.asarray(stated)[rows] >= _FEWEST) & _not_round(bench, rows)
    first = np.append(rows[:1], rows[:-1])
    number, times = bench.tables["calibrations"]["row"].to_numpy(), bench.column("calibrations", "time")

    def reasons(mask: Array, text: str) -> list[str]:
        return [f"the same measurements as row {number[row]} at {shown(times[row])}{text}" for row in first[mask]]

    return [
        Batch("near duplicate", "calibrations", "time", SET_ASIDE, rows[close],
              reasons=reasons(close, ", which is used")),
        Batch("time zone suspect", "calibrations", "time", DOUBTED, rows[shifted],
              reasons=reasons(shifted, ": local time and UTC? if so, state the zone and upload it once")),
    ]  # fmt: skip


def _not_round(bench: Bench, rows: IntArray) -> Array:
    """Rows with a measurement that is not a whole number: chance alone does not repeat those."""
    fine = np.zeros(len(rows), dtype=bool)
    for name in ("zero_offset", "as_found", "span_gain", "headroom", "response_seconds"):
        values = bench.column("calibrations", name)[rows]
        fine |= np.isfinite(values) & (values != np.round(values))
    return fine
