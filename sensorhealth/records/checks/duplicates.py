"""Calibrations that were uploaded twice."""

from __future__ import annotations

import numpy as np

from ... import nomenclature
from ..bench import SET_ASIDE, Batch, Bench
from ._tools import either_of, repeats, row_keys

ORDER = 35
FINDINGS = {"duplicate": "a row that stands there already, equal in every column"}


def check(bench: Bench) -> list[Batch]:
    """Of calibrations equal in every column the first is used. Retries differ in time or result and are not touched."""
    order = bench.in_order()
    order = order[bench.used["calibrations"][order]]
    sensor, time = bench.codes("calibrations", "sensor_id")[0][order], bench.integers("time")[order]
    same = (sensor[1:] == sensor[:-1]) & (time[1:] == time[:-1])
    rows = np.sort(either_of(same, order))
    again, first = repeats(row_keys(bench, "calibrations", list(nomenclature.columns("calibrations")), rows), rows)
    numbers = bench.tables["calibrations"]["row"].to_numpy()[rows[first]]
    reasons = [f"equal to row {row}, which is used" for row in numbers]
    return [Batch("duplicate", "calibrations", "time", SET_ASIDE, rows[again], reasons=reasons)]
