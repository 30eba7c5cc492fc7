"""True ageing curves: the logarithm of the sensitivity relative to the start, against age."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

RESERVE = 10.0
"""Activity reserve of the plateau-and-knee curve."""

SQRT_AGE = 2.0
"""Age in years at which the square-root curve has lost as much as the exponential one of the same rate."""


def exponential(age: FloatArray, rate: FloatArray) -> FloatArray:
    """ln S = -rate * age. age in years, rate per year, any shapes that broadcast (all curves alike)."""
    return -rate * age


def linear(age: FloatArray, rate: FloatArray) -> FloatArray:
    """ln S with S = 1 - rate * age, held at 1 % of the start once it is used up."""
    return np.log(np.maximum(1.0 - rate * age, 0.01))


def knee(age: FloatArray, rate: FloatArray) -> FloatArray:
    """Plateau, then a knee: activity a = exp(-k age) behind a diffusion barrier, S = a (1 + r) / (1 + a r).

    1/i = 1/i_diffusion + 1/i_kinetic with the reserve r = RESERVE of kinetic over diffusion current at the start; k
    is such that S = 1/2 at the age at which the exponential curve of the same rate has it.
    """
    half = 0.5 / (1.0 + 0.5 * RESERVE)
    k = rate * np.log(half) / np.log(0.5)
    activity = np.exp(-k * age)
    return np.log(np.maximum(activity * (1.0 + RESERVE) / (1.0 + activity * RESERVE), 0.01))


def square_root(age: FloatArray, rate: FloatArray) -> FloatArray:
    """ln S = -rate * sqrt(age * SQRT_AGE): fast at first, then slower."""
    return -rate * np.sqrt(np.maximum(age, 0.0) * SQRT_AGE)


CURVES: dict[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    "exponential": exponential,
    "linear": linear,
    "knee": knee,
    "square root": square_root,
}
