"""Calibrations that were uploaded twice with a rounded or shifted time."""

from __future__ import annotations

import numpy as np

from ... import nomenclature
from ..bench import DOUBTED, SET_ASIDE, Array, Batch, Bench, shown
from ..raw import IntArray
from ._tools import MEASURED, cells, either_of, row_keys

ORDER = 55
FINDINGS = {
    "near duplicate": "the same measurements of the same sensor within two minutes, or with less said of time or circumstances",
    "time zone suspect": "the same measurements of the same sensor some whole hours apart",
}
_MINUTE = 60_000_000
_HOUR = 60 * _MINUTE
_FEWEST = 3
_SAME = ("sensor_id", "kind", "outcome", *MEASURED)


def check(bench: Bench) -> list[Batch]:
    """Set aside where at least two measurements are equal and nothing else differs, though one row may say less; whole
    hours apart only doubted, as a repeated test may look so.

    Genuine retries differ in what was measured or in the outcome, and are kept.
    """
    rows = _close_in_time(bench)
    if not len(rows):
        return []
    key, time = row_keys(bench, "calibrations", list(_SAME), rows), bench.integers("time")[rows]
    beside = [name for name in nomenclature.columns("calibrations") if name not in (*_SAME, "time")]
    filled = sum(bench.stated("calibrations", name)[rows].astype(np.int8) for name in beside)
    order = np.lexsort((-np.asarray(filled), time, key))
    rows, key, time = rows[order], key[order], time[order]
    stated = sum(bench.stated("calibrations", name)[rows].astype(np.int8) for name in (*MEASURED, "response_seconds"))
    same = np.append(False, (key[1:] == key[:-1]) & _agree(bench, beside, rows[1:], rows[:-1])) & (np.asarray(stated) >= 2)
    gap = np.append(0, np.diff(time))
    dateless = same & (np.append(0, time[:-1]) % (24 * _HOUR) == 0) & (gap < 24 * _HOUR) & (gap > 0)
    close = same & ((gap <= 2 * _MINUTE) | dateless)
    shifted = same & ~close & (gap <= 14 * _HOUR) & (gap % (_HOUR // 2) == 0)
    shifted &= (np.asarray(stated) >= _FEWEST) & _not_round(bench, rows)
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


def _close_in_time(bench: Bench) -> IntArray:
    """Rows in use within a day of another row in use of their sensor: only these can be the same calibration."""
    order = bench.in_order()
    order = order[bench.used["calibrations"][order]]
    sensor, time = bench.codes("calibrations", "sensor_id")[0][order], bench.integers("time")[order]
    near = (sensor[1:] == sensor[:-1]) & (time[1:] - time[:-1] < 24 * _HOUR)
    return either_of(near, order)


def _agree(bench: Bench, names: list[str], one: IntArray, other: IntArray) -> Array:
    """Whether two rows say the same in the columns `names`, or one of them says nothing."""
    agree = np.ones(len(one), dtype=bool)
    for name in names:
        values, stated = cells(bench, "calibrations", name), bench.stated("calibrations", name)
        agree &= (values[one] == values[other]) | ~stated[one] | ~stated[other]
    return agree


def _not_round(bench: Bench, rows: IntArray) -> Array:
    """Rows with a measurement that is not a whole number: chance alone does not repeat those."""
    fine = np.zeros(len(rows), dtype=bool)
    for name in ("zero_offset", "as_found", "span_gain", "headroom", "response_seconds"):
        values = bench.column("calibrations", name)[rows]
        fine |= np.isfinite(values) & (values != np.round(values))
    return fine
