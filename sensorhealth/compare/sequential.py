"""Evidence that may be looked at as often as one likes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

FloatArray = NDArray[np.float64]


def normal_score(t: FloatArray, degrees: FloatArray) -> FloatArray:
    """z with the same tail probability as t with `degrees` of freedom, any shape."""
    tail = np.maximum(stats.t.sf(np.abs(t), degrees), 1e-300)
    return np.asarray(np.sign(t) * stats.norm.isf(tail))


def evidence(z: FloatArray, information: FloatArray, effect_sd: float, side: int) -> FloatArray:
    """Likelihood ratio, any shape, of "the effect has this sign" against "there is none", mixed over its size.

    z: estimate / error; information: 1 / error^2; the effect is half-normal of scale `effect_sd` on the side of the sign
    `side` (-1 or 1; 0: normal on both sides). Under no effect the running maximum exceeds 1 / alpha with a chance of at
    most alpha, however often it is looked at, since z * sqrt(information) moves like Brownian motion in information.
    Source: Robbins (1970), Ann. Math. Statist. 41:1397-1409; Johari, Koomen, Pekelis and Walsh (2022), Oper. Res.
    70:1806-1821.
    """
    share = effect_sd**2 * information / (1.0 + effect_sd**2 * information)
    both = 0.5 * np.log1p(-share) + 0.5 * z * z * share
    if side == 0:
        return np.asarray(np.exp(np.minimum(both, 690.0)))
    one = both + np.log(2.0) + special.log_ndtr(side * z * np.sqrt(share))
    return np.asarray(np.exp(np.minimum(one, 690.0)))
