"""Whether readings wiggle about their path and come back: temperature, rest and handling move what is read, not the sensor.

Taken for a path that wanders, such readings make what lies ahead less and less certain without end. A wander that comes back is
looked for beside the path's own, which may become nothing, where a path seems to wander: on a coarse grid of times and sizes,
from neighbour to neighbour as long as the readings are likelier. What stands in for the readings is made anew each time, for
those of one fit speak for its wander. Paths that are not of the curve's shape seem to come back to it too, which misleads about
what lies far ahead: a wiggle must also foretell last readings better from early ones.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sensorhealth.degradation.design import Stratum
from sensorhealth.degradation.effects import Wiggle, steps_found
from sensorhealth.degradation.fitting import CurveFit, Options, fit_curve, rough_fit
from sensorhealth.degradation.one_ahead import one_ahead
from sensorhealth.degradation.predicting import Component, own_readings

FEWEST_EACH = 12  # readings of the usual sensor, below which a wiggle is not told from wander
WANDER = 0.2  # of the noise's variance, that a path seems to gather between two readings, below which it is left at that
FIRST = (4.0, 2.0)  # usual times between readings and share of the noise, looked at first
STEP = 2.5  # factor between neighbours on the grid
SHORTEST, LARGEST = -1, 4  # steps down in time and up in share, beyond which a wiggle is noise, or noise nothing
LONGEST = 0.25  # of the usual sensor's records
PARTS = (1.0 / 3.0, 2.0 / 3.0)  # of the readings, from which the last ones are foretold
UNREAD, UNFORESEEN = 1e9, 12.0  # variance of what is not looked at; squared error, in variances, beyond which it tells no more
AHEAD = 1.0  # log likelihood of last readings foretold long before that it must gain

SUPPORT = 9.21  # deviance that a wiggle must gain: 1 % point of chi2_2 for its time and size


def with_wiggle(stratum: Stratum, first: CurveFit, options: Options) -> CurveFit:
    """The fit, or one with the likeliest wiggle beside its wander where that is clearly likelier and foretells better."""
    usual, longest = _times(stratum)
    if not 0.0 < FIRST[0] * usual <= longest or _gathered(stratum, first) < WANDER * first.parameters.residual:
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
    if full.deviance > first.deviance - SUPPORT or _foretold(stratum, full) < _foretold(stratum, first) + AHEAD:
        return first
    return full


def said_of(stratum: str, fit: CurveFit) -> str:
    """What the user is told of the wiggle of a fit."""
    wiggle, size = fit.terms.wiggle, float(np.sqrt(fit.parameters.returning))
    assert wiggle is not None
    return (
        f"{stratum}: readings wiggle about their paths by {100.0 * size:.2g} % and come back within about "
        f"{365.25 * wiggle.years:.0f} days; this is taken for the readings' and not for the sensors'"
    )


def _times(stratum: Stratum) -> tuple[float, float]:
    """Usual time between readings and the longest time of a wiggle (years); nil where readings are too few."""
    read = stratum.counts > 1
    if float(np.median(stratum.counts[read])) < FEWEST_EACH:
        return 0.0, 0.0
    between = np.diff(stratum.age)[np.diff(stratum.life) == 0]
    spans = stratum.age[stratum.offsets[1:][read] - 1] - stratum.age[stratum.offsets[:-1][read]]
    return float(np.median(between)), LONGEST * float(np.median(spans))


def _gathered(stratum: Stratum, fit: CurveFit) -> float:
    """Variance that the wander of a fit usually gathers between two readings."""
    between = np.diff(fit.base.g)[np.diff(stratum.life) == 0]
    return fit.parameters.brownian * float(np.median(between)) if between.size else 0.0


def _beside(stratum: Stratum, wiggle: Wiggle, options: Options, start: CurveFit) -> CurveFit:
    """A look at the stratum with a wiggle, from a fit with another or none."""
    ground = start.ground.with_wiggle(wiggle)
    return rough_fit(stratum, start.curve, ground.terms, options, replace(start, ground=ground))


def _foretold(stratum: Stratum, fit: CurveFit) -> float:
    """Log density of the last readings of sensors, foretold from their first third and their first two thirds."""
    _, own, noise = own_readings(Component(stratum, fit, 1.0))
    told = stratum.counts >= FEWEST_EACH
    last, parameters = stratum.last[told], fit.parameters
    number = np.arange(stratum.age.size) - np.repeat(stratum.offsets[:-1], stratum.counts)
    total = 0.0
    for part in PARTS:
        unread = number >= np.ceil(part * (stratum.counts - 1))[stratum.life]
        ahead = one_ahead(
            stratum.offsets, fit.base.g, own, np.where(unread, UNREAD, noise), parameters.sensor, parameters.brownian,
            steps_found(stratum), fit.base.keep, parameters.returning,
        )  # fmt: skip
        variance = ahead.variance[last] + noise[last]
        off = np.minimum((own[last] - ahead.mean[last]) ** 2 / variance, UNFORESEEN)
        total += float((-0.5 * (off + np.log(variance))).sum()) / len(PARTS)
    return total
