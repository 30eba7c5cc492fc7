"""Dates in which day and month were exchanged."""

from __future__ import annotations

import numpy as np

from ..bench import CORRECTED, SET_ASIDE, Array, Batch, Bench, shown, sorted_order
from ..raw import IntArray
from ._tools import TABLES, last_moment, swapped, where, whole_day

ORDER = 40
_DAY = 86_400_000_000
_FAR = 10**17
_FEWEST = 20
_ORDERLY = 0.98
_KEPT_IN_ORDER = 0.9
FINDINGS = {"day and month swapped": "a date that only fits with day and month exchanged"}


def check(bench: Bench) -> list[Batch]:
    """Corrected where the swapped date fits the sensor's time in service and its neighbours, and the stated one does
    not.
    """
    return [*_written(bench), *_misplaced(bench)]


def _written(bench: Bench) -> list[Batch]:
    """Dates that can only be read in the other order than the rest of their column (31/12 among 12/31)."""
    batches = []
    for table in TABLES:
        for name, cells in bench.unreadable.get(table, {}).items():
            if len(cells.swapped):
                reason = "can only be read with day and month the other way round than the rest of the column"
                batches.append(Batch("day and month swapped", table, name, CORRECTED, cells.swapped, reason, otherwise=SET_ASIDE))
    return batches


def _misplaced(bench: Bench) -> list[Batch]:
    known = bench.used["calibrations"] & (bench.sensor_of() >= 0)
    time = bench.column("calibrations", "time")
    if not known.any():
        return []
    installed, removed = whole_day(bench.of_sensor("installed")), last_moment(bench.of_sensor("removed"))
    end = _end(bench.integers("time")[known])
    outside = known & ((time < installed) | (time > removed) | (time > end))
    odd = where(outside | _out_of_turn(bench, known))
    turned_round = swapped(time[odd])
    before, after, turned = _neighbours(bench, odd, known)
    fits = (turned_round >= installed[odd]) & ~(turned_round > removed[odd]) & (turned_round <= end)
    good = fits & (
        (turned & (turned_round >= before) & (turned_round <= after)) | _fits_the_source(bench, odd, known, turned_round)
    )
    at, new = odd[good], turned_round[good]
    why = {True: "outside the sensor's time in service", False: "out of turn between the rows around it"}
    reasons = [
        f"as stated it is {why[bool(out)]}; with day and month exchanged ({shown(day)[:10]}) it fits"
        for out, day in zip(outside[at], new, strict=True)
    ]
    return [
        Batch("day and month swapped", "calibrations", "time", CORRECTED, at, reasons=reasons,
              changes={"time": new}, otherwise=SET_ASIDE)
    ]  # fmt: skip


def _end(times: IntArray) -> np.datetime64:
    """The end of the records, robustly: the last time that is not a month beyond 99.5 % of the rest."""
    place = max(len(times) - 1 - len(times) // 200, 0)
    most = np.partition(times, place)[place]
    return np.datetime64(int(times[times <= most + 31 * 86_400_000_000].max()), "us")


def _out_of_turn(bench: Bench, known: Array) -> Array:
    """Rows of sensors whose rows do not stand in order of time in the source, be it upwards or downwards."""
    order = bench.in_order()
    order = order[known[order]]
    sensor = bench.sensor_of()[order]
    same = sensor[1:] == sensor[:-1]
    upwards = order[1:] > order[:-1]
    back = same & (upwards != (upwards[same].mean() >= 0.5 if same.any() else True))
    unordered = np.zeros(len(bench.tables["sensors"]) + 1, dtype=bool)
    unordered[sensor[1:][back]] = True
    result: Array = known & unordered[bench.sensor_of()]
    return result


def _fits_the_source(bench: Bench, odd: IntArray, known: Array, turned_round: Array) -> Array:
    """Whether the row stands in the source between rows of just the swapped date, in a table kept in order of time."""
    rows, time = np.flatnonzero(known), bench.integers("time")
    stated = time[rows]
    if len(rows) < _FEWEST or (stated[1:] >= stated[:-1]).mean() < _ORDERLY:
        return np.zeros(len(odd), dtype=bool)
    place = np.searchsorted(rows, odd)
    before, after = stated[np.maximum(place - 1, 0)], stated[np.minimum(place + 1, len(rows) - 1)]
    low, high = np.minimum(before, after) - 3 * _DAY, np.maximum(before, after) + 3 * _DAY
    new = turned_round.astype("datetime64[us]").view(np.int64)
    fits: Array = (high - low < 16 * _DAY) & (new >= low) & (new <= high) & ((time[odd] < low) | (time[odd] > high))
    return fits


def _neighbours(bench: Bench, odd: IntArray, known: Array) -> tuple[Array, Array, Array]:
    """For each odd row the times of the rows of its sensor before and after it in the source, and whether these bear
    on it: they do where the source keeps the rows of a sensor in order of time, the last or the first on top, the two before
    and the two after are in order themselves and the stated time is not between."""
    time, sensor_of = bench.integers("time"), bench.sensor_of()
    rows = np.flatnonzero(known)
    rows = rows[sorted_order(sensor_of[rows], rows)]
    one, later = sensor_of[rows[1:]] == sensor_of[rows[:-1]], np.sign(np.diff(time[rows]))
    upwards, downwards = (float((sign * later[one] >= 0).mean()) if one.any() else 0.0 for sign in (1, -1))
    rows = rows[np.isin(sensor_of[rows], np.unique(sensor_of[odd]))]
    rows = rows if upwards >= downwards else rows[::-1]
    sensor, stated = sensor_of[rows], time[rows]
    before2, before, after, after2 = (_shifted(sensor, stated, by) for by in (-2, -1, 1, 2))
    orderly = (before2 <= before) & (before <= after) & (after <= after2)
    between = (stated >= before - _DAY) & (stated <= after + _DAY)
    turned = orderly & ~between & (max(upwards, downwards) >= _KEPT_IN_ORDER)
    found = [np.zeros(len(time), dtype=values.dtype) for values in (before, after, turned)]
    for whole, values in zip(found, (before, after, turned), strict=True):
        whole[rows] = values
    return found[0][odd].view("datetime64[us]"), found[1][odd].view("datetime64[us]"), found[2][odd]


def _shifted(sensor: IntArray, stated: IntArray, by: int) -> IntArray:
    """The time `by` rows on of the same sensor; far in the past or the future beyond its first or last row."""
    place = np.arange(len(stated)) + by
    inside = np.clip(place, 0, max(len(stated) - 1, 0))
    same = (place == inside) & (sensor[inside] == sensor)
    return np.where(same, stated[inside], _FAR if by > 0 else -_FAR).astype(np.int64)
