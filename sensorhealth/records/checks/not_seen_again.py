"""Sensors that are in service by the records, but of which the records speak no more."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..bench import CORRECTED, Array, Batch, Bench, shown, sorted_order
from ..raw import IntArray
from ._tools import where

ORDER = 96
FINDINGS = {
    "removal not recorded": "a sensor without a date of removal that is not calibrated any more, while others at its site are"
}
_GAS_TESTS = ("span", "full", "bump")
_DAY, _SECOND = 86_400_000_000, 1_000_000  # microseconds
_NEVER = np.iinfo(np.int64).max
# How long a sensor is awaited: so many of its own usual gaps between calibrations, and days at least, and days where its gap is
# unknown. Judgements: repairs and spare parts take weeks, and a sensor that is to serve again is tested again within months.
_FAILED = (3, 180, 540)
_PASSED = (4, 365, 730)
_REASON = (
    "last calibrated on {0}, and no removal of any sensor is recorded: taken as removed on {1}, as its site goes on without it; "
    "record removals. If it is still in use, test it before it is relied on",
    "failed its last gas test on {0} and was not tested again: taken as removed on {1}, as its site goes on without it; record "
    "removals. If it is still in use, take it out of service until it has passed a test",
)


def check(bench: Bench) -> list[Batch]:
    """Taken as removed, on the first day on which others at its site were calibrated and it had been silent for too long: after a
    failed gas test in any records, after a passed one only where the records tell of no removal of any sensor.
    """
    last, gap, tested, failed = _last_seen(bench)
    removed = np.isnat(bench.column("sensors", "removed"))
    serving = bench.used["sensors"] & tested & removed
    no_removals = bool(removed[bench.used["sensors"]].all())
    missed = _missed(bench, last, last + _patience(gap, failed))
    gone = where(serving & (failed | no_removals) & (missed < _NEVER))
    day = missed[gone].view("datetime64[us]").astype("datetime64[D]").astype("datetime64[us]")
    return [
        Batch("removal not recorded", "sensors", "removed", CORRECTED, gone, times=day, changes={"removed": day},
              reasons=_reasons(last[gone].view("datetime64[us]"), day, failed[gone]))
    ]  # fmt: skip


def _reasons(last: Array, day: Array, failed: Array) -> Sequence[str]:
    every = zip(last, day, failed, strict=True)
    return [_REASON[bool(bad)].format(shown(seen)[:10], shown(missed)[:10]) for seen, missed, bad in every]


def _last_seen(bench: Bench) -> tuple[IntArray, Array, Array, Array]:
    """Of each sensor: its last calibration of any kind, the usual gap between days with one (NaN where two or fewer are known),
    whether it ever had a gas test, and whether its last one failed."""
    count, sensor_of = len(bench.tables["sensors"]), bench.sensor_of()
    order = bench.in_order()
    order = order[(bench.used["calibrations"] & (sensor_of >= 0))[order]]
    sensor, time = sensor_of[order], bench.integers("time")[order]
    another = (np.diff(sensor, prepend=-1) != 0) | (np.diff(time // _DAY, prepend=0) != 0)
    visits = np.bincount(sensor[another], minlength=count)
    first, last, test = np.zeros(count, np.int64), np.zeros(count, np.int64), np.full(count, -1)
    first[sensor[::-1]], last[sensor] = time[::-1], time  # of equal places the last one written stays
    gap = np.where(visits > 2, (last - first) / np.maximum(visits - 1, 1), np.nan)
    gas = bench.is_word("calibrations", "kind", *_GAS_TESTS) & ~bench.is_word("calibrations", "outcome", "aborted")
    tests = order[gas[order]]
    test[sensor_of[tests]] = tests
    failed = np.append(bench.is_word("calibrations", "outcome", "fail"), False)[test]
    return last, gap, test >= 0, failed


def _patience(gap: Array, failed: Array) -> IntArray:
    """For how long (microseconds) each sensor is awaited."""
    waits = [np.where(np.isnan(gap), unknown * _DAY, np.maximum(times * gap, least * _DAY)) for times, least, unknown in
             (_PASSED, _FAILED)]  # fmt: skip
    return np.where(failed, waits[1], waits[0]).astype(np.int64)


def _missed(bench: Bench, last: IntArray, awaited: IntArray) -> IntArray:
    """The first time at or after `awaited` at which another sensor of the same site was calibrated; _NEVER for none."""
    codes, names = bench.codes("sensors", "site")
    site = np.where(codes >= 0, codes, len(names))
    rows = where(bench.used["calibrations"] & (bench.sensor_of() >= 0))
    place, time = site[bench.sensor_of()[rows]], bench.integers("time")[rows]
    order = sorted_order(place, time)
    place, time = place[order], time[order]
    ends = np.searchsorted(place, site, side="right")
    span = int(max(time.max(initial=0), awaited.max(initial=0))) // _SECOND + 2
    found = np.searchsorted(place * span + time // _SECOND, site * span + -(-awaited // _SECOND))
    return np.where(found < ends, np.append(time, _NEVER)[found], _NEVER)
