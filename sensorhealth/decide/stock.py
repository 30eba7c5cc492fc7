"""Stock: how many to hold, how many to order, from the distribution of demand, on arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class Stock(NamedTuple):
    """quantity: to hold. cost: expected cost of what is left over and what is missing."""

    quantity: float
    cost: float


def newsvendor(demand: FloatArray, holding: float, shortage: float) -> Stock:
    """Best stock for one period against `demand` (k,), the distribution of a count 0, 1, 2 ...

    holding, shortage: cost of one left over, of one missing. The best stock is the smallest that covers demand with
    the chance shortage / (shortage + holding) (Arrow, Harris and Marschak 1951).
    """
    best = cover(demand, shortage / (shortage + holding))
    return Stock(float(best), period_cost(demand, best, holding, shortage))


def period_cost(demand: FloatArray, stock: float, holding: float, shortage: float) -> float:
    """Expected cost of one period that begins with `stock`, against the distribution `demand` (k,)."""
    left = stock - np.arange(demand.size)
    return float(demand @ (holding * np.maximum(left, 0.0) + shortage * np.maximum(-left, 0.0)))


def cover(demand: FloatArray, level: float) -> int:
    """Smallest stock that covers `demand` (k,) with at least the chance `level` (the base stock)."""
    covered = np.cumsum(demand) >= level - 1e-12
    return int(covered.argmax()) if covered.any() else demand.size - 1
