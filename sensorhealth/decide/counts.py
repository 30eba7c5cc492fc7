"""How many of many: distributions of counts and sums of independent sensors, and of mixtures over what they share.

The count of independent events with different chances is Poisson-binomial. Its distribution is found exactly from the
product of the events' characteristic functions at the frequencies of a discrete Fourier transform (Fernandez and
Williams 2010; Hong 2013). Sensors that share a lot's true rate, a cylinder or a variance are independent only given
these: their distribution is the mean over draws of what they share. One distribution of independent sensors is far
too narrow for a fleet.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainc, ndtr

FloatArray = NDArray[np.float64]
Cdf = Callable[[FloatArray, NDArray[np.intp]], FloatArray]
TINY = 1e-60  # variance below which there is none: its cube is still a number
_WIDEST = 17  # widest distribution found by adding up directly
_HALVINGS = 5
_NARROW = 0.002  # of the whole width, about the first guess


def count_distribution(at_least: FloatArray, most: int) -> FloatArray:
    """Distribution (m, most + 1) of sums of independent counts, for m sums at once.

    at_least: (k, n, m) chance that sensor i counts at least 1, 2, ... k in sum m; k = 1 gives the Poisson-binomial.
    most: the largest sum kept; the mass above it must be nothing, or it is folded to the low end. A few sensors at a
    time are added up directly, and these sums by the transform: the same numbers, several times sooner.
    """
    size = most + 1
    turn = np.exp(2j * np.pi * np.arange(size // 2 + 1) / size)
    sums = _sums_of_few(at_least)
    powers = turn ** np.arange(len(sums))[:, None]
    few = sums.reshape(len(sums), sums.shape[1] * sums.shape[2])
    product = np.empty((turn.size, *sums.shape[1:]), dtype=complex)
    product.real, product.imag = ((part.T @ few).reshape(product.shape) for part in (powers.real, powers.imag))
    while product.shape[1] > 1:
        half = product.shape[1] // 2
        paired = product[:, :half] * product[:, half : 2 * half]
        if product.shape[1] % 2:
            paired[:, 0] *= product[:, -1]
        product = paired
    return np.clip(np.fft.irfft(product[:, 0].conj().T, n=size, axis=1), 0.0, 1.0)


def _sums_of_few(at_least: FloatArray) -> FloatArray:
    """Distributions (w, n', m) of the sums over few sensors each, w at most _WIDEST unless one sensor has more."""
    sensors, sums = at_least.shape[1:]
    if not sensors:
        return np.ones((1, 1, sums))
    steps = np.concatenate([np.ones((1, sensors, sums)), at_least, np.zeros((1, sensors, sums))])
    found = steps[:-1] - steps[1:]
    while found.shape[1] > 1 and 2 * len(found) - 1 <= _WIDEST:
        width, half = len(found), found.shape[1] // 2
        one, other = found[:, :half], found[:, half : 2 * half]
        paired = np.zeros((2 * width - 1, found.shape[1] - half, sums))
        for count in range(width):
            paired[count : count + width, :half] += one[count] * other
        paired[:width, half:] = found[:, 2 * half :]  # one that is left over
        found = paired
    return found


def count_quantile(distribution: FloatArray, level: float) -> FloatArray:
    """Smallest count (m,) whose cumulative chance reaches `level`, from distributions (m, k)."""
    reached = np.cumsum(distribution, axis=1) >= level * (1.0 - 1e-12)
    return np.where(reached.any(axis=1), reached.argmax(axis=1), distribution.shape[1] - 1).astype(float)


def refined_normal_cdf(count: ArrayLike, mean: ArrayLike, variance: ArrayLike, third: ArrayLike) -> FloatArray:
    """Chance of at most `count`, by the normal distribution with continuity and skewness corrections (Volkova 1996).

    mean, variance, third: mean and second and third central moments of the count. For large fleets, where the exact
    way would be slow: the error falls with the variance (measured in the tests).
    """
    deviation = np.sqrt(np.maximum(variance, TINY))
    score = (np.asarray(count, dtype=float) + 0.5 - np.asarray(mean, dtype=float)) / deviation
    skewness = np.asarray(third) / deviation**3
    score_c = np.clip(score, -40.0, 40.0)
    density = np.exp(-0.5 * score_c**2) / np.sqrt(2.0 * np.pi)
    smooth = ndtr(score_c) + skewness * (1.0 - score_c**2) * density / 6.0
    return np.where(np.asarray(variance) > TINY, np.clip(smooth, 0.0, 1.0), (score >= 0).astype(float))


def sum_cdf(value: ArrayLike, mean: ArrayLike, variance: ArrayLike, third: ArrayLike) -> FloatArray:
    """Chance that a sum of money is at most `value`, by the translated gamma distribution of its first three moments.

    The usual approximation of risk theory for a sum of many payments (Bowers et al. 1997, Actuarial Mathematics,
    12.4); a normal distribution where there is no skewness to the right, a step where there is no variance.
    """
    value, mean, variance, third = np.broadcast_arrays(value, mean, variance, third)
    deviation = np.sqrt(np.maximum(variance, TINY))
    skewness = third / deviation**3
    skewed = skewness > 1e-3
    safe = np.where(skewed, skewness, 1.0)
    shape = 4.0 / safe**2
    scaled = (value - mean) / deviation
    gamma = gammainc(shape, np.maximum(shape + np.sqrt(shape) * scaled, 0.0))
    smooth = np.where(skewed, gamma, ndtr(scaled))
    return np.where(variance > TINY, smooth, (value >= mean).astype(float))


def sum_cdf_roughly(value: ArrayLike, mean: ArrayLike, variance: ArrayLike, third: ArrayLike) -> FloatArray:
    """`sum_cdf` to about 0.01 at a fifth of its cost: the gamma distribution by its cube root (Wilson and Hilferty 1931)."""
    deviation = np.sqrt(np.maximum(variance, TINY))
    half = 0.5 * np.maximum(np.asarray(third) / deviation**3, 1e-3)
    root = np.cbrt(np.maximum(1.0 + half * (np.asarray(value) - mean) / deviation, 0.0))
    return ndtr(3.0 / half * (root - 1.0 + half**2 / 9.0))


def mixture_quantile(
    cdf: Cdf, level: float, low: FloatArray, high: FloatArray, whole: bool, roughly: Cdf | None = None
) -> FloatArray:
    """Quantile (m,) at `level` of m mixtures, between `low` and `high` (m,).

    cdf: of values (k,) and the numbers (k,) of the mixtures that they are for. whole: the smallest whole number that
    reaches the level, by bisection; else to a relative width of 1e-6, by the Illinois way of false position after a few
    bisections (Dowell and Jarratt 1971). roughly: a cheaper function near the cdf, whose quantile narrows the search.
    """
    low, high = np.array(low, dtype=float), np.array(high, dtype=float)
    every = np.arange(low.size)
    if whole:
        low, high = np.floor(low) - 1.0, np.ceil(high)
        while (high - low > 1.0).any():
            middle = np.floor(0.5 * (low + high))
            reached = cdf(middle, every) >= level
            high, low = np.where(reached, middle, high), np.where(reached, low, middle)
        return high
    below, above = np.full(low.shape, -level), np.full(low.shape, 1.0 - level)
    if roughly is not None:
        near = mixture_quantile(roughly, level, low, high, False)
        for step in (-_NARROW, _NARROW):
            end = near + step * (high - low)
            miss = cdf(end, every) - level
            right = miss >= 0
            closer = np.where(right, end < high, end > low)
            high, above = np.where(right & closer, end, high), np.where(right & closer, miss, above)
            low, below = np.where(~right & closer, end, low), np.where(~right & closer, miss, below)
    return _root(cdf, level, (low, high), (below, above))


def _root(cdf: Cdf, level: float, ends: tuple[FloatArray, FloatArray], misses: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Where `cdf` meets `level` between `ends`, at which it misses it by `misses`; see `mixture_quantile`."""
    low, high, below, above = *ends, *misses
    found = high.copy()
    at = np.arange(low.size)
    side = np.zeros(low.shape)
    for step in range(60):
        crude = (below < -0.5 * level) & (above > 0.5 * (1.0 - level)) & (step < _HALVINGS)
        middle = low + np.where(crude, 0.5, below / (below - above)) * (high - low)
        miss = cdf(middle, at) - level
        reached = miss >= 0
        above = np.where(reached, miss, np.where(side < 0, 0.5 * above, above))
        below = np.where(reached, np.where(side > 0, 0.5 * below, below), miss)
        high, low = np.where(reached, middle, high), np.where(reached, low, middle)
        side = np.where(reached, 1.0, -1.0)
        met = np.abs(miss) < 1e-9
        found[at] = np.where(met, middle, high)
        open_ = ~met & (high - low > 1e-6 * np.maximum(np.abs(high), 1.0))
        if not open_.any():
            break
        at, low, high = at[open_], low[open_], high[open_]
        below, above, side = below[open_], above[open_], side[open_]
    return found
