"""Whether readings wiggle about their path and come back: temperature, rest and handling move what is read, not the sensor.

Taken for a path that wanders, such readings make what lies ahead less and less certain without end. A wander that comes back is
looked for beside the path's own, which may become nothing, where a path seems to wander: on a coarse grid of times and sizes, from
neighbour to neighbour as long as the readings are likelier. What stands in for the readings is made anew each time, for those of
one fit speak for its wander.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sensorhealth.degradation.design import Stratum
from sensorhealth.degradation.effects import Wiggle
from sensorhealth.degradation.fitting import CurveFit, Options, fit_curve, rough_fit

FEWEST_EACH = 12  # readings of the usual sensor, below which a wiggle is not told from wander
FIRST = (4.0, 2.0)  # usual times between readings and share of the noise, looked at first
STEP = 2.5  # factor between neighbours on the grid
SHORTEST, LARGEST = -1, 4  # steps down in time and up in share, beyond which a wiggle is noise, or noise nothing
LONGEST = 0.25  # of the usual sensor's records
SUPPORT = 9.21  # deviance that a wiggle must gain: 1 % point of chi2_2 for its time and size


def with_wiggle(stratum: Stratum, first: CurveFit, options: Options) -> CurveFit:
    """The fit, or one with the likeliest wiggle beside its wander where that is clearly likelier."""
    usual, longest = _times(stratum)
    if first.parameters.brownian <= 0.0 or not 0.0 < FIRST[0] * usual <= longest:
        return first
    found: dict[tuple[int, int], CurveFit] = {}

    def seen(place: tuple[int, int], start: CurveFit) -> float:
        if place not in found:
            years, share = (value * STEP**steps for value, steps in zip(FIRST, place))
            found[place] = _beside(stratum, Wiggle(years * usual, share, usual), options, start)
        return found[place].deviance

    best = 0, 0
    if seen(best, first) >= first.deviance:
        return first
    while True:
        around = [(best[0] + i, best[1] + j) for i, j in ((1, 1), (-1, -1), (0, 1), (0, -1), (1, 0), (-1, 0))]
        around = [(i, j) for i, j in around if i >= SHORTEST and j <= LARGEST and FIRST[0] * usual * STEP**i <= longest]
        better = min(around, key=lambda place: seen(place, found[best]))
        if found[better].deviance > found[best].deviance - 1.0:
            break
        best = better
    likeliest = found[best]
    full = fit_curve(stratum, first.curve, likeliest.terms, options, likeliest)
    return full if full.deviance < first.deviance - SUPPORT else first


def _times(stratum: Stratum) -> tuple[float, float]:
    """Usual time between readings and the longest time of a wiggle (years); nil where readings are too few."""
    read = stratum.counts > 1
    if float(np.median(stratum.counts[read])) < FEWEST_EACH:
        return 0.0, 0.0
    between = np.diff(stratum.age)[np.diff(stratum.life) == 0]
    spans = stratum.age[stratum.offsets[1:][read] - 1] - stratum.age[stratum.offsets[:-1][read]]
    return float(np.median(between)), LONGEST * float(np.median(spans))


def _beside(stratum: Stratum, wiggle: Wiggle, options: Options, start: CurveFit) -> CurveFit:
    """A look at the stratum with a wiggle, from a fit with another or none."""
    ground = start.ground.with_wiggle(wiggle)
    return rough_fit(stratum, start.curve, ground.terms, options, replace(start, ground=ground))
