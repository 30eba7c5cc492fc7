"""Replacements of replacements: renewal functions on arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def renewal_function(days: FloatArray, ended: FloatArray) -> FloatArray:
    """Expected number M(t) (m,) of renewals up to each of `days` (m,), evenly spaced from 0, for lives `ended` = F.

    Solves M(t) = F(t) + int_0^t M(t - s) dF(s) by the Riemann-Stieltjes way of Xie (1989): F at the midpoints,
    M_i = (F_i + sum_{j<i} (M_j - M_{j-1}) F_{i-j+1/2} - F_{1/2} M_{i-1}) / (1 - F_{1/2}).
    """
    if not np.allclose(np.diff(days), days[1] - days[0]):
        raise ValueError("days must be evenly spaced")
    middle = np.interp(days[:-1] + 0.5 * (days[1] - days[0]), days, ended)
    return _xie(ended, middle)


def _xie(ended: FloatArray, middle: FloatArray) -> FloatArray:
    """Xie's recursion from F at the days (m,) and at the midpoints (m - 1,)."""
    count = np.zeros_like(ended)
    rise = np.zeros_like(ended)
    for i in range(1, ended.size):
        earlier = float(rise[1:i] @ middle[i - 1 : 0 : -1]) if i > 1 else 0.0
        count[i] = (ended[i] + earlier - middle[0] * count[i - 1]) / (1.0 - middle[0])
        rise[i] = count[i] - count[i - 1]
    return count


def successors(edges: FloatArray, days: FloatArray, ended: FloatArray) -> FloatArray:
    """Chance (m, m) that a sensor put in during period j ends in period k, for periods between `edges` (m + 1,) days.

    days, ended: life distribution from new (age in days). Sensors are taken to be put in at the middle of their
    period. Upper triangular; first replacements (n, m) @ (I + Q + Q^2 + ...) are all replacements, which is the
    renewal equation.
    """
    middle = 0.5 * (edges[1:] + edges[:-1])
    age = np.maximum(edges[None, :] - middle[:, None], 0.0)
    by = np.interp(age, days, ended)
    return np.diff(by, axis=1)


def all_replacements(first: FloatArray, chain: FloatArray) -> FloatArray:
    """Expected replacements (n, m) of every generation from the first ones (n, m) and `successors` (m, m)."""
    return first @ np.linalg.inv(np.eye(chain.shape[0]) - chain)
