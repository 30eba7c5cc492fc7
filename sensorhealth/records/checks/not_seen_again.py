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
_FOLLOWED = (
    "{0} on {1}; since then another sensor for its gas is calibrated in its place (first on {2}): taken as removed then; "
    "record removals"
)
_REASON = (
    "last calibrated on {0}, and no removal of any sensor is recorded: taken as removed on {1}, as its site goes on without it; "
    "record removals. If it is still in use, test it before it is relied on",
    "failed its last gas test on {0} and was not tested again: taken as removed on {1}, as its site goes on without it; record "
    "removals. If it is still in use, take it out of service until it has passed a test",
)


def check(bench: Bench) -> list[Batch]:
    """Taken as removed: on the first day on which its successor in the same place of an instrument was calibrated; else on the
    first on which others at its site were and it had been silent for too long (after a failed gas test in any records, after a
    passed one only where the records tell of no removal of any sensor).
    """
    last, gap, tested, failed = _last_seen(bench)
    unremoved = np.isnat(bench.column("sensors", "removed"))
    no_removals = bool(unremoved[bench.used["sensors"]].all())
    missed = np.where(failed | no_removals, _missed(bench, last, last + _patience(gap, failed)), _NEVER)
    followed = _followed(bench, last)
    first = np.minimum(missed, followed)
    gone = where(bench.used["sensors"] & tested & unremoved & (first < _NEVER))
    day = first[gone].view("datetime64[us]").astype("datetime64[D]").astype("datetime64[us]")
    return [
        Batch("removal not recorded", "sensors", "removed", CORRECTED, gone, times=day, changes={"removed": day},
              reasons=_reasons(last[gone].view("datetime64[us]"), day, failed[gone], (followed <= missed)[gone]))
    ]  # fmt: skip


def _reasons(last: Array, day: Array, failed: Array, followed: Array) -> Sequence[str]:
    reasons = []
    for seen, gone, bad, by_another in zip(last, day, failed, followed, strict=True):
        dates = shown(seen)[:10], shown(gone)[:10]
        said = "failed its last gas test" if bad else "last calibrated"
        reasons.append(_FOLLOWED.format(said, *dates) if by_another else _REASON[bool(bad)].format(*dates))
    return reasons


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
    sensor, time = _calibrated(bench)
    return _first_at_or_after(site[sensor], time, site, awaited)


def _followed(bench: Bench, last: IntArray) -> IntArray:
    """The first time, on a later day than `last`, at which a sensor was calibrated that came into the same place of the same
    instrument, for the same gas, on the day of `last` or later; _NEVER for none."""
    count = len(last)
    instrument, position, gas = (bench.codes("sensors", name)[0] for name in ("instrument_id", "position", "gas"))
    place = np.unique(np.stack([instrument, position, gas]), axis=1, return_inverse=True)[1].reshape(count)
    installed = bench.column("sensors", "installed").astype("datetime64[us]").view(np.int64)
    stated = where(bench.used["sensors"] & (instrument >= 0))
    order = stated[np.lexsort((installed[stated], place[stated]))]
    day = last // _DAY * _DAY
    at = _first_place(place[order], installed[order], place, day)
    at += order[np.minimum(at, len(order) - 1)] == np.arange(count) if len(order) else 0
    next_one = np.append(order, -1)[np.minimum(at, len(order))]
    found = (next_one >= 0) & (instrument >= 0) & (place[next_one] == place) & (next_one != np.arange(count))
    sensor, time = _calibrated(bench)
    return np.where(found, _first_at_or_after(sensor, time, np.maximum(next_one, 0), day + _DAY), _NEVER)


def _calibrated(bench: Bench) -> tuple[IntArray, IntArray]:
    """Sensor (position) and time of each calibration in use."""
    rows = where(bench.used["calibrations"] & (bench.sensor_of() >= 0))
    return bench.sensor_of()[rows], bench.integers("time")[rows]


def _first_at_or_after(group: IntArray, time: IntArray, wanted: IntArray, since: IntArray) -> IntArray:
    """Of each wanted group the first of its times at or after `since`; _NEVER for none."""
    order = sorted_order(group, time)
    group, time = group[order], time[order]
    at = _first_place(group, time, wanted, since)
    return np.where(np.append(group, -1)[at] == wanted, np.append(time, _NEVER)[at], _NEVER)


def _first_place(group: IntArray, time: IntArray, wanted: IntArray, since: IntArray) -> IntArray:
    """The first place, in arrays sorted by group and time, of the wanted group or a later one at or after `since`."""
    low = int(min(time.min(initial=0), since.min(initial=0)))
    span = (int(max(time.max(initial=0), since.max(initial=0))) - low) // _SECOND + 2
    return np.searchsorted(group * span + (time - low) // _SECOND, wanted * span + -((low - since) // _SECOND)).astype(np.int64)
