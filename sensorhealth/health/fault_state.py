"""Kernel: the series of a fleet while faults are found and taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.health.change_points import SINGLE, SIZE_VARIANCE, SWAP, Faults
from sensorhealth.health.path_filter import FloatArray, IntArray, Series


def at_reading(faults: Faults, start: IntArray) -> Faults:
    """The same faults with positions in the flat readings; start (faults,): of the series of each."""
    places = ("position", "earliest", "latest")
    return replace(faults, **{name: getattr(faults, name) + start for name in places})


@dataclass
class State:
    """Series as they stand; `stratum` (series,) goes with `series`. Positions are those in the flat readings."""

    series: Series
    stratum: IntArray

    @classmethod
    def fresh(
        cls,
        y: FloatArray,
        age: FloatArray,
        start: IntArray,
        count: IntArray,
        stratum: IntArray,
        seen: NDArray[np.bool_],
        doubt: FloatArray | None = None,
    ) -> State:
        """No fault taken out yet."""
        return cls(Series(y, age.copy(), seen.copy(), np.zeros(len(y)), start, count, doubt), stratum)

    def of(self, reading: IntArray) -> IntArray:
        """Series that each reading belongs to."""
        order = np.argsort(self.series.start, kind="stable")
        return order[np.searchsorted(self.series.start[order], reading, side="right") - 1]

    def take(self, which: IntArray) -> Series:
        """Some of the series."""
        return replace(self.series, start=self.series.start[which], count=self.series.count[which])

    def put_back(self, reading: IntArray) -> None:
        """Undo bad readings and steps."""
        self.series.seen[reading] = True
        self.series.shock[reading] = 0.0

    def take_out(self, reading: IntArray, kind: IntArray) -> None:
        """A bad reading is left out, a step gets a free size, a swap starts a new series."""
        single, swap = kind == SINGLE, kind == SWAP
        self.series.seen[reading[single]] = False
        self.series.shock[reading[~single & ~swap]] = SIZE_VARIANCE
        if swap.any():
            self._split(reading[swap])

    def _split(self, first: IntArray) -> None:
        """Start new series at `first`, at most one in each series."""
        s, old = self.series, self.of(first)
        length = s.start[old] + s.count[old] - first
        inside = np.arange(length.max()) < length[:, None]
        index = (first[:, None] + np.arange(length.max()))[inside]
        s.age[index] -= np.repeat(s.age[first], length)
        s.shock[first] = 0.0
        count = s.count.copy()
        count[old] -= length
        self.series = replace(s, start=np.r_[s.start, first], count=np.r_[count, length])
        self.stratum = np.r_[self.stratum, self.stratum[old]]
