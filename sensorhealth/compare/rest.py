"""Which groups are the usual ones that the others are held against."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensorhealth.compare.adjust import adjusted
from sensorhealth.compare.groups import Grouped
from sensorhealth.compare.wald import Wald

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class AgainstRest:
    """The k groups that have others to be compared with.

    group (k,). own, rest: rates (or levels) (k,) of the group and of the mean of the others, with their variances and
    covariance (k,). gap: own less rest.
    """

    group: IntArray
    own: FloatArray
    rest: FloatArray
    own_variance: FloatArray
    covariance: FloatArray
    rest_variance: FloatArray
    gap: Wald


def against_rest(grouped: Grouped, columns: IntArray, odd: BoolArray) -> AgainstRest:
    """Every group against the mean of the others.

    columns: (L,) of the rates or of the levels. odd: (L,) groups that do not count as the rest of others.
    """
    rests = {int(at): grouped.rest(int(at), columns, odd) for at in np.flatnonzero(columns >= 0)}
    kept = {at: row for at, row in rests.items() if row is not None}
    group = np.array(list(kept), dtype=np.int64)
    own = grouped.rows(columns[group])
    rest = np.array(list(kept.values())).reshape(own.shape)
    one, other = grouped.contrasts(own), grouped.contrasts(rest)
    gap = grouped.contrasts(own - rest)
    variances = [np.diag(part.covariance) for part in (one, other, gap)]
    between = 0.5 * (variances[0] + variances[1] - variances[2])
    return AgainstRest(group, one.estimate, other.estimate, variances[0], between, variances[1], gap)


def odd_groups(grouped: Grouped, alpha: float, method: str = "fdr") -> BoolArray:
    """Groups (L,) whose ageing differs, found one after the other; a bad lot must not make all others look good.

    The most certain difference (adjusted p value at most alpha) is taken out of the rest and the others are compared
    again, as long as two groups and half of the sensors remain as the rest.
    """
    odd = np.zeros(grouped.slope.size, bool)
    able = grouped.slope >= 0
    while True:
        p_values = np.full(odd.size, np.nan)
        found = against_rest(grouped, grouped.slope, odd)
        p_values[found.group] = found.gap.p_value()
        certain = (adjusted(p_values, method) <= alpha) & ~odd
        if not certain.any():
            return odd
        worst = int(np.nanargmin(np.where(certain, p_values, np.nan)))
        left = able & ~odd
        left[worst] = False
        if left.sum() < 2 or 2 * grouped.sensors[left].sum() < grouped.sensors[able].sum():
            return odd
        odd[worst] = True
