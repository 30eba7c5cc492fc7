"""Stand-ins brought to rest at given variances, and curves of own pace made straight on the way."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.design import FloatArray
from sensorhealth.degradation.effects import Terms
from sensorhealth.degradation.ground import Ground, life_slopes, nearer
from sensorhealth.degradation.reml_data import Method, VarianceParameters
from sensorhealth.degradation.robust import Sites, revise

CAREFUL = 12  # moves after which they are damped
TURNED = 0.5  # share of its last move that a stand-in goes back, beyond which its steps are halved
PATIENT = 5  # moves after which a few stragglers are let be
LEAST_STEP = 0.125  # share of its way that a stand-in goes which keeps turning back
RESTED = 0.05  # move of a path, in standard deviations of the noise, at which curves of own pace are straight enough
EXACTLY = 5e-5  # the same where numbers are to be reproduced


@dataclass(frozen=True)
class Settling:
    """How stand-ins are brought to rest. degrees: of the noise; tolerance: largest move at the end; kept: see
    `robust.revise`; steps: most of them; rested: largest move of a path of own pace at the end; stragglers: share of the
    stand-ins that need not have come to rest after PATIENT moves (two readings that each discredit the other may never do);
    enough: change of the deviance at which they are let be as well, as errors of the stand-ins are of second order there.
    """

    degrees: float
    method: Method
    tolerance: float
    kept: float
    steps: int
    rested: float = RESTED
    stragglers: float = 0.002
    enough: float = 0.0


def settle(ground: Ground, parameters: VarianceParameters, sites: Sites, how: Settling) -> tuple[Ground, reml.CrossedFit, Sites]:
    """Bring stand-ins to rest at given variances, and a curve of own pace straight about the slopes that come of them, or
    as near as so many steps come; the ground they stand on then, and the kernel's answer."""
    y, noise = ground.base.y, parameters.residual
    plain = ground.is_plain(how.degrees)
    sites = _doubted(sites, ground.terms, y, noise)
    steps, deviance = _Steps(y.size), np.inf
    for number in range(how.steps):
        fit = reml.solve(ground.stand_in(sites, noise), parameters, how.method)
        here = ground
        ground, strayed = _straighter(ground, fit, how.rested * np.sqrt(noise))
        if plain:
            if not strayed:
                break
            continue
        mean, variance = fit.fitted[: y.size] + here.bend, fit.fitted_variance[: y.size]
        step = steps.length if number < CAREFUL else np.minimum(steps.length, 0.5)
        new = revise(
            sites, y, here.stratum.censoring, mean, variance, noise, how.degrees, step, how.kept, here.terms.doubt
        )  # fmt: skip
        restless = int((steps.take(sites, new, y, noise, step) > how.tolerance).sum())
        sites, before, deviance = new, deviance, fit.deviance_ml - 2.0 * new.gain
        still = restless <= (how.stragglers * y.size if number >= PATIENT else 0)
        if not strayed and (still or abs(deviance - before) < how.enough):
            break
    return here, fit, sites


class _Steps:
    """How far each stand-in goes of the way that is asked of it: less where it turned back."""

    def __init__(self, count: int) -> None:
        self.length: FloatArray = np.ones(count)
        self._last = np.zeros((2, count))

    def take(self, old: Sites, new: Sites, y: FloatArray, noise: float, step: FloatArray) -> FloatArray:
        """Moves asked for (N,); remembers which way each went."""
        pull = new.weight * (new.response - y) - old.weight * (old.response - y)
        way = np.stack((new.weight - old.weight, pull / np.sqrt(noise))) / step
        along = way * self._last
        back, on = (along < -TURNED * self._last**2).any(axis=0), (along > 0.0).all(axis=0)
        length = self.length * np.where(back, 0.5, np.where(on, 1.5, 1.0))
        self.length = np.clip(length, LEAST_STEP, 1.0)
        self._last = way
        return np.abs(way).max(axis=0)


def _straighter(ground: Ground, fit: reml.CrossedFit, enough: float) -> tuple[Ground, bool]:
    """A curve of own pace made straight about the slopes of `fit` if they moved its paths by more than `enough`, and
    whether they did."""
    if ground.slopes is None:
        return ground, False
    stratum, curve = ground.stratum, ground.curve
    move = nearer(curve, ground.slopes, life_slopes(stratum, fit)) - ground.slopes
    path = np.abs(move) * curve.path_by_slope(ground.slopes, np.nan_to_num(stratum.last_age))
    if float(path.max(initial=0.0)) < enough:
        return ground, False
    return ground.moved(curve, ground.terms, ground.slopes + move), True


def _doubted(sites: Sites, terms: Terms, y: FloatArray, noise: float) -> Sites:
    """The stand-ins with the readings in doubt held at their own variance."""
    if terms.doubt is None:
        return sites
    doubted = np.isfinite(terms.doubt)
    response = np.where(doubted, y, sites.response)
    return replace(sites, response=response, weight=np.where(doubted, noise / terms.doubt, sites.weight))
