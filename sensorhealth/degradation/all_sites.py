"""Kernel: stand-ins of very many records at once (`robust.revise`), without what only a search for variances asks of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation.mixture import grains
from sensorhealth.degradation.robust import EXACT, LEAST_WEIGHT, Sites, revise

FloatArray = NDArray[np.float64]
BLOCK = 8192  # readings at a time, so that what is worked on stays near the processor


def revised(
    sites: Sites,
    y: FloatArray,
    censoring: NDArray[np.int8],
    mean: FloatArray,
    variance: FloatArray,
    noise: float,
    degrees: float,
    step: float,
    doubt: FloatArray | None = None,
) -> Sites:
    """As `robust.revise` with kept = EXACT; gain and spare are left out (NaN)."""
    response, weight = np.empty(y.size), np.empty(y.size)
    seen = censoring == 0
    for begin in range(0, y.size, BLOCK):
        at = slice(begin, begin + BLOCK)
        response[at], weight[at] = _read(
            sites.response[at], sites.weight[at] / noise, y[at], mean[at], variance[at], noise, degrees, step
        )
    if not seen.all():
        hidden = ~seen
        part = Sites(sites.response[hidden], sites.weight[hidden], 0.0, 0.0)
        own = revise(part, y[hidden], censoring[hidden], mean[hidden], variance[hidden], noise, degrees, step, EXACT)
        response[hidden], weight[hidden] = own.response, own.weight / noise
    if doubt is not None:
        own_way = np.isfinite(doubt)
        weight, response = np.where(own_way, 1.0 / doubt, weight), np.where(own_way, y, response)
    return Sites(response, noise * weight, np.nan, np.nan)


def _read(
    response: FloatArray,
    precision: FloatArray,
    y: FloatArray,
    mean: FloatArray,
    variance: FloatArray,
    noise: float,
    degrees: float,
    step: float,
) -> tuple[FloatArray, FloatArray]:
    """Response and precision of readings; formulas as in `robust`, one normal of the noise after the other."""
    cavity = variance / np.maximum(1.0 - precision * variance, 1e-9)
    middle = mean - precision * cavity * (response - mean)
    off = y - middle
    half = 0.5 * off * off
    chances, factors = grains(degrees)
    widest = 1.0 / (cavity + noise * factors.max())  # its density is the largest far out, and keeps the sum above nought
    total, near, square, least = np.zeros((4, y.size))
    for chance, factor in zip(chances, factors):
        inverse = 1.0 / (cavity + noise * factor)
        share = np.exp(half * (widest - inverse))
        share *= np.sqrt(inverse)
        share *= chance
        total += share
        least += share / factor
        share *= inverse
        near += share
        share *= inverse
        square += share
    near /= total
    square /= total
    least *= EXACT / (noise * total)
    shift = cavity * near * off
    second = cavity - cavity**2 * near + cavity**2 * off**2 * square
    tilted = np.maximum(second - shift**2, 1e-12 * cavity)
    wanted = np.maximum((cavity - tilted) / (tilted * cavity), np.maximum(least, LEAST_WEIGHT / noise))
    pull = wanted * middle + shift * (1.0 / cavity + wanted)
    new = precision + step * (wanted - precision)
    return (precision * response + step * (pull - precision * response)) / new, new
