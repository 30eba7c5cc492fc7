"""Ratio of two estimates with its interval, and whether it lies within a margin of one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Ratio:
    """Ratios a/b (k,) with interval ends low, high (k,); NaN where the interval is not a bounded one (b may be
    zero)."""

    value: FloatArray
    low: FloatArray
    high: FloatArray


def fieller(
    a: FloatArray,
    b: FloatArray,
    var_a: FloatArray,
    cov: FloatArray,
    var_b: FloatArray,
    degrees: FloatArray,
    level: float,
) -> Ratio:
    """Fieller's interval for a/b, all (k,): the values r for which a - r b does not differ from zero.

    (a - r b)^2 <= t^2 (var_a - 2 r cov + r^2 var_b). Bounded only where b differs from zero at this level. Source:
    Fieller (1954), J. R. Stat. Soc. B 16:175-185.
    """
    t2 = stats.t.ppf(0.5 + level / 2, degrees) ** 2
    square, middle, last = b * b - t2 * var_b, a * b - t2 * cov, a * a - t2 * var_a
    inside = np.maximum(middle * middle - square * last, 0.0)
    bounded = square > 0
    root = np.sqrt(inside)
    safe = np.where(bounded, square, 1.0)
    value = np.divide(a, b, out=np.full_like(a, np.nan), where=b != 0)
    low, high = (middle - root) / safe, (middle + root) / safe
    return Ratio(np.where(bounded, value, np.nan), np.where(bounded, low, np.nan), np.where(bounded, high, np.nan))


def within(
    a: FloatArray,
    b: FloatArray,
    var_a: FloatArray,
    cov: FloatArray,
    var_b: FloatArray,
    degrees: FloatArray,
    margin: float,
) -> FloatArray:
    """p values (k,) of the hypothesis that a/b lies outside 1 - margin to 1 + margin, for b of either sign.

    Two one-sided tests on a - (1 -/+ margin) b; small values show equivalence. Source: Schuirmann (1987), J.
    Pharmacokinet. Biopharm. 15:657-680; in ratio form Sasabuchi (1980), Biometrika 67:429-439.
    """
    out = np.zeros_like(a)
    for end, sign in ((1.0 - margin, 1.0), (1.0 + margin, -1.0)):
        error = np.sqrt(np.maximum(var_a - 2 * end * cov + end * end * var_b, 0.0))
        gap = sign * np.sign(b) * (a - end * b)
        t = np.divide(gap, error, out=np.zeros_like(a), where=error > 0)
        out = np.maximum(out, stats.t.sf(t, degrees))
    return out
