"""Headroom that stands at the largest value the instrument can show."""

from __future__ import annotations

import numpy as np

from ..bench import CORRECTED, DOUBTED, KEPT, Array, Batch, Bench
from ._tools import where

ORDER = 78
FINDINGS = {
    "display limit inferred": "one top headroom that many sensors of a kind share is taken for their display limit",
    "unreadable value": "a cell that cannot be read as what its column holds",
    "at display limit": "headroom at the display limit: the true one is that or more",
}
_FEWEST_ROWS = 10
_FEWEST_SENSORS = 3
_HEAPED = 6.0


def check(bench: Bench) -> list[Batch]:
    """Kept, and counted by sensor: such a reading says "at least", and is used so. A limit that is not stated is
    inferred.
    """
    bench.apply(_written(bench))
    bench.apply(_beyond(bench))
    bench.apply(_inferred(bench))
    limit = bench.of_sensor("display_limit")
    at = where(bench.used["calibrations"] & (bench.column("calibrations", "headroom") >= limit))
    return [
        Batch("at display limit", "calibrations", "headroom", KEPT, at, by="sensor_id",
              reason="the instrument shows no more than this: the true headroom is this or more")
    ]  # fmt: skip


def _written(bench: Bench) -> list[Batch]:
    """Sensors without a stated limit of which a headroom is written as more than a number: that number is the limit."""
    rows = bench.above[bench.used["calibrations"][bench.above]]
    values, sensor = bench.column("calibrations", "headroom")[rows], bench.sensor_of()[rows]
    limit = np.full(len(bench.tables["sensors"]) + 1, np.inf)
    np.minimum.at(limit, sensor, np.where(np.isfinite(values), values, np.inf))
    at = where(np.isfinite(limit[:-1]) & ~bench.stated("sensors", "display_limit") & bench.used["sensors"])
    return [
        Batch("display limit inferred", "sensors", "display_limit", CORRECTED, at, otherwise=DOUBTED,
              values=[f"{value:g}" for value in limit[at]], changes={"display_limit": limit[at]},
              reason="headroom is written as more than this; state display_limit if it is another")
    ]  # fmt: skip


def _beyond(bench: Bench) -> list[Batch]:
    """Rows written as more than a number that is not their sensor's limit: the number is no headroom."""
    headroom, limit = bench.column("calibrations", "headroom"), bench.of_sensor("display_limit")
    at = bench.above[~(headroom[bench.above] >= limit[bench.above])]
    return [
        Batch("unreadable value", "calibrations", "headroom", KEPT, at, by="sensor_id",
              changes={"headroom": np.full(len(at), np.nan)},
              reason="written as more than a number that is not the display limit; the row is used without it")
    ]  # fmt: skip


def _inferred(bench: Bench) -> list[Batch]:
    """For sensors of one gas, unit and model without a stated limit: the top value, where readings heap up on it."""
    kinds = [bench.codes("sensors", name)[0] for name in ("gas", "unit", "model")]
    _, kind = np.unique(np.stack(kinds), axis=1, return_inverse=True)
    unstated = ~bench.stated("sensors", "display_limit") & bench.used["sensors"]
    sensor, headroom = bench.sensor_of(), bench.column("calibrations", "headroom")
    rows = where(bench.used["calibrations"] & (headroom > 0) & np.append(unstated, False)[sensor])
    group, values = kind[sensor[rows]], headroom[rows]
    top = np.full(int(kind.max(initial=-1)) + 1, -np.inf)
    np.maximum.at(top, group, values)
    heap = np.bincount(group[values == top[group]], minlength=len(top))
    limit = np.full(len(top), np.nan)
    for one in np.flatnonzero(heap >= _FEWEST_ROWS):
        mine = group == one
        if _is_heap(values[mine], float(top[one]), sensor[rows][mine]):
            limit[one] = top[one]
    found = limit[kind]
    at = where(unstated & np.isfinite(found))
    return [
        Batch("display limit inferred", "sensors", "display_limit", CORRECTED, at, otherwise=DOUBTED,
              values=[f"{value:g}" for value in found[at]], changes={"display_limit": found[at]},
              reason="readings of many sensors of this kind heap up on it; state display_limit if it is another")
    ]  # fmt: skip


def _is_heap(values: Array, top: float, sensors: Array) -> bool:
    """Whether readings heap up on the top value: many sensors, and many times the readings of the values just below."""
    on_top = values == top
    below = values[(values > 0.8 * top) & ~on_top]
    usual = len(below) / max(len(np.unique(below)), 1)
    return len(np.unique(sensors[on_top])) >= _FEWEST_SENSORS and on_top.sum() > _HEAPED * usual
