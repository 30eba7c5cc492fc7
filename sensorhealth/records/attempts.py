"""Order of the calibrations, and the numbering of retries."""

from __future__ import annotations

import numpy as np

from .bench import Array, Bench
from .raw import IntArray

RETRY_SECONDS = 3600.0
"""A calibration of the same kind within an hour of a failed or aborted one of the same sensor is its retry.

Common practice, no source.
"""


def attempts(bench: Bench) -> tuple[IntArray, Array]:
    """Positions of the calibrations in use, sorted by sensor_id, time and row, and the attempt number of each."""
    order = bench.in_order()
    position = order[bench.used["calibrations"][order]]
    number = np.ones(len(position), dtype=np.int32)
    unsuccessful = bench.is_word("calibrations", "outcome", "fail", "aborted")[position]
    before = np.flatnonzero(unsuccessful[:-1])
    if not len(before):
        return position, number
    sensor, kind = (bench.codes("calibrations", name)[0] for name in ("sensor_id", "kind"))
    one, next_one = position[before], position[before + 1]
    time = bench.integers("time")
    again = (sensor[one] == sensor[next_one]) & (kind[one] == kind[next_one])
    again &= time[next_one] - time[one] <= RETRY_SECONDS * 1e6
    retry = np.zeros(len(position), dtype=bool)
    retry[before[again] + 1] = True
    index = np.arange(len(position))
    start = np.maximum.accumulate(np.where(retry, 0, index))
    return position, (index - start + 1).astype(np.int32)
