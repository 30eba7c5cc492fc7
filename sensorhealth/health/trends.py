"""Kernel: the posterior level and slope of many short series, faults taken out; used for zero offsets and response
times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensorhealth.health.change_points import Rates
from sensorhealth.health.fault_search import FoundFaults, find_faults
from sensorhealth.health.path_filter import FloatArray, IntArray

NOISE = 0.03
ROUNDING = 0.4
MANY = 3
COMMON = 0.02


@dataclass(frozen=True)
class Trends:
    """Slopes per year of each series and their standard deviation (posterior: series of a stratum lend each other
    strength), the mean slope of each series' stratum, wander (variance per year); all in the unit of the values given.
    scale (series,): unit of `found` in that of the values; resolution (series,): step of the values, 0 where there is
    none to be seen."""

    slope: FloatArray
    slope_sd: FloatArray
    kind_slope: FloatArray
    wander: FloatArray
    scale: FloatArray
    resolution: FloatArray
    found: FoundFaults


def trends(
    value: FloatArray,
    age: FloatArray,
    start: IntArray,
    count: IntArray,
    stratum: IntArray,
    rates: Rates,
    false_discovery_rate: float,
    known: Trends | None = None,
) -> Trends:
    """Trend of each series in age (years).

    value, age: flat, ages ascending within a series; start, count, stratum (series,): where each lies, and its stratum
    (0, 1, ...). Values are brought to a noise of NOISE in each stratum first, so that any unit will do.
    known: trends of the same strata, whose spread between sensors is then taken as it is.
    """
    scale, resolution = _scale(value, start, count, stratum)
    found = find_faults(
        value / np.repeat(scale[stratum], count),
        age,
        start,
        count,
        stratum,
        [rates] * (int(stratum.max(initial=-1)) + 1),
        false_discovery_rate=false_discovery_rate,
        priors=None if known is None else known.found.priors,
        linear=True,
        least_noise=resolution / scale / np.sqrt(12),
    )
    own = scale[stratum]
    priors = [found.priors[k] for k in stratum]
    return Trends(
        slope=found.slope * own,
        slope_sd=found.slope_sd * own,
        kind_slope=np.array([prior.mean[1] for prior in priors]) * own,
        wander=np.array([prior.wander for prior in priors]) * own**2,
        scale=own,
        resolution=resolution[stratum],
        found=found,
    )


def _scale(value: FloatArray, start: IntArray, count: IntArray, stratum: IntArray) -> tuple[FloatArray, FloatArray]:
    """Factor of each stratum that brings the noise of one value to NOISE, from differences of neighbours, and the step
    in which its values are rounded (the smallest that is common among the differences); rounded values have at least the
    noise of rounding."""
    inside = np.ones(len(value), dtype=bool)
    inside[start] = False
    step = np.diff(value, prepend=0.0)
    which = np.repeat(stratum, count)
    scale, resolution = np.zeros((2, int(stratum.max(initial=-1)) + 1))
    for k in range(len(scale)):
        own = step[inside & (which == k)]
        sizes, often = np.unique(np.round(np.abs(own), 9), return_counts=True)
        noise = 1.4826 * np.median(np.abs(own)) / np.sqrt(2) if len(own) else 0.0
        moved = often[sizes > 0].sum()
        if moved and (noise == 0.0 or moved > MANY * (sizes > 0).sum()):
            common = (sizes > 0) & (often >= COMMON * moved)
            resolution[k] = sizes[common].min(initial=np.inf) if common.any() else 0.0
        scale[k] = max(noise, ROUNDING * resolution[k]) / NOISE or 1.0
    return scale, resolution
