"""Which groups are the usual ones that the others are held against."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sensorhealth.compare.adjust import adjusted
from sensorhealth.compare.groups import Grouped
from sensorhealth.compare.wald import Wald

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


def against_rest(grouped: Grouped, columns: IntArray, odd: BoolArray) -> list[tuple[int, Wald, Wald]]:
    """(group, own rate and that of the rest, own less rest) of every group that has others to be compared with.

    columns: (L,) of the rates or of the levels. odd: (L,) groups that do not count as the rest of others.
    """
    found = []
    for at in np.flatnonzero(columns >= 0):
        rest = grouped.rest(int(at), columns, odd)
        if rest is not None:
            own = grouped.rows(columns[at : at + 1])[0]
            found.append((int(at), grouped.contrasts(np.vstack([own, rest])), grouped.contrasts(own - rest)))
    return found


def odd_groups(grouped: Grouped, alpha: float, method: str = "fdr") -> BoolArray:
    """Groups (L,) whose ageing differs, found one after the other; a bad lot must not make all others look good.

    The most certain difference (adjusted p value at most alpha) is taken out of the rest and the others are compared
    again, as long as two groups and half of the sensors remain as the rest.
    """
    odd = np.zeros(grouped.slope.size, bool)
    able = grouped.slope >= 0
    while True:
        p_values = np.full(odd.size, np.nan)
        for at, _, gap in against_rest(grouped, grouped.slope, odd):
            p_values[at] = gap.p_value()[0]
        certain = (adjusted(p_values, method) <= alpha) & ~odd
        if not certain.any():
            return odd
        worst = int(np.nanargmin(np.where(certain, p_values, np.nan)))
        left = able & ~odd
        left[worst] = False
        if left.sum() < 2 or 2 * grouped.sensors[left].sum() < grouped.sensors[able].sum():
            return odd
        odd[worst] = True
