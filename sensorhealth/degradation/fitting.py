"""One stratum on one curve: the kernel's fit repeated on the working response until weights and estimates agree."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import Terms, crossed_data
from sensorhealth.degradation.reml_data import CrossedData, Method, Penalty, VarianceParameters
from sensorhealth.degradation.robust import EXACT, LEAST_WEIGHT, Sites, ballast, face_value, revise

START_NOISE = 1e-4  # variance, before any is known
SETTLED = 2e-3  # largest move of a stand-in at which the search for the variances goes on
STILL = 1e-10  # the same where numbers are to be reproduced
ROUNDS = 8  # searches for the variances
AGAIN = 2  # the same where another fit has shown the way
EARLY = 2  # moves of the stand-ins between two searches: the last ones bring them to rest
LATE = 15  # the same at the end of a fit
STEPS = 150  # most moves of the stand-ins in one go
CAREFUL = 12  # moves after which they are damped
ENOUGH = 0.02  # relative move of a standard deviation at which the searches end


@dataclass(frozen=True)
class Options:
    """How to fit. degrees: of freedom of the noise, inf for Gaussian noise."""

    method: Method = "REML"
    degrees: float = np.inf
    penalty: Penalty | None = None
    brownian: bool = False


@dataclass(frozen=True)
class CurveFit:
    """A stratum fitted on one curve.

    base: the kernel's arrays at face value. fit: the kernel's result at `parameters` on the working response; its
    first n sensors are the stratum's lives (the ballast follows, and a prior's readings). search: the
    last search for the variances, None where they were given. degrees: of freedom of the noise. sites: what each record
    is worth. deviance: -2 log ML likelihood, tails and censoring counted.
    """

    curve: Curve
    terms: Terms
    base: CrossedData
    fit: reml.CrossedFit
    search: reml.CrossedFit | None
    degrees: float
    sites: Sites
    data: CrossedData
    deviance: float

    @property
    def mean(self) -> FloatArray:
        """Posterior mean of the latent reading of each record (N,), with everything that was in it."""
        return self.fit.fitted[: self.base.y.size]

    @property
    def variance(self) -> FloatArray:
        """Its posterior variance (N,)."""
        return self.fit.fitted_variance[: self.base.y.size]

    @property
    def parameters(self) -> VarianceParameters:
        """Variances at which everything stands."""
        return self.fit.parameters


@dataclass(frozen=True)
class _State:
    """Stand-ins at rest, the kernel's arrays with them and its answer."""

    data: CrossedData
    fit: reml.CrossedFit
    sites: Sites


def fit_curve(stratum: Stratum, curve: Curve, terms: Terms, options: Options, start: CurveFit | None = None) -> CurveFit:
    """Estimate a stratum on one curve; a start from another curve or from plainer terms saves most of the work."""
    base = crossed_data(stratum, curve, terms)
    degrees = options.degrees
    if start is None or _is_plain(stratum, terms, degrees):
        sites = face_value(base.y, stratum.censoring)
        search = _search(_stand_in(base, terms, sites, START_NOISE), options, start.parameters if start else None)
        parameters = search.parameters
    else:
        sites, search, parameters = start.sites, None, start.parameters
    censored = bool(stratum.censoring.any())  # these move far: no short cuts
    rounds, early = (ROUNDS, STEPS) if censored else (ROUNDS if start is None else AGAIN, EARLY)
    for _ in range(0 if _is_plain(stratum, terms, degrees) else rounds):
        state = _settle(stratum, terms, base, parameters, degrees, options.method, sites, SETTLED, 1.0, early)
        search = _search(state.data, options, parameters)
        sites, moved, parameters = state.sites, _moved(parameters, search.parameters), search.parameters
        if moved < ENOUGH:
            break
    return _finish(stratum, curve, terms, base, parameters, degrees, options.method, sites, search, SETTLED)


def at_parameters(
    stratum: Stratum, curve: Curve, terms: Terms, parameters: VarianceParameters, degrees: float, method: Method
) -> CurveFit:
    """Everything at given variances; the same readings give the same numbers whatever way they came in."""
    base = crossed_data(stratum, curve, terms)
    sites = face_value(base.y, stratum.censoring)
    return _finish(stratum, curve, terms, base, parameters, degrees, method, sites, None, STILL)


def _finish(
    stratum: Stratum,
    curve: Curve,
    terms: Terms,
    base: CrossedData,
    parameters: VarianceParameters,
    degrees: float,
    method: Method,
    sites: Sites,
    search: reml.CrossedFit | None,
    tolerance: float,
) -> CurveFit:
    steps = STEPS if tolerance < SETTLED or stratum.censoring.any() else LATE
    state = _settle(stratum, terms, base, parameters, degrees, method, sites, tolerance, EXACT, steps)
    likelihood = -0.5 * reml.deviance(state.data, parameters, "ML") + state.sites.gain
    noise = parameters.residual  # and less what the ballast added to the Gaussian likelihood
    extra = np.log(2.0 * np.pi * noise / LEAST_WEIGHT) + ballast(noise, state.sites.spare, terms.floor) / noise
    likelihood += 0.5 * extra
    return CurveFit(curve, terms, base, state.fit, search, degrees, state.sites, state.data, -2.0 * float(likelihood))


def _search(data: CrossedData, options: Options, start: VarianceParameters | None) -> reml.CrossedFit:
    return reml.fit(data, method=options.method, brownian=options.brownian, penalty=options.penalty, start=start, tolerance=1e-4)


def _is_plain(stratum: Stratum, terms: Terms, degrees: float) -> bool:
    """Whether the readings are Gaussian as they stand, so that no working response is needed."""
    return np.isinf(degrees) and terms.doubt is None and not stratum.censoring.any()


def class_effects(fitted: CurveFit, names: tuple[str, ...] | None = None) -> FloatArray:
    """Sum (N,) of the effects of the crossed classes (all, or those named) on each reading."""
    total = np.zeros(fitted.base.y.size)
    for item in fitted.base.classes:
        if item.size and (names is None or item.name in names):
            mean = fitted.fit.crossed[item.name][0]
            part = np.where(item.index >= 0, mean[np.maximum(item.index, 0)], 0.0)
            total += part if item.value is None else part * item.value
    return total


def _settle(
    stratum: Stratum,
    terms: Terms,
    base: CrossedData,
    parameters: VarianceParameters,
    degrees: float,
    method: Method,
    sites: Sites,
    tolerance: float,
    kept: float,
    steps: int,
) -> _State:
    """Bring the stand-ins to rest at given variances, or as near as so many steps come."""
    count, noise = base.y.size, parameters.residual
    plain = _is_plain(stratum, terms, degrees)
    sites = _doubted(sites, terms, base.y, noise)
    for number in range(steps):
        data = _stand_in(base, terms, sites, noise)
        fit = reml.solve(data, parameters, method)
        if plain:
            return _State(data, fit, sites)
        step = 1.0 if number < CAREFUL else 0.5
        mean, variance = fit.fitted[:count], fit.fitted_variance[:count]
        new = revise(sites, base.y, stratum.censoring, mean, variance, noise, degrees, step, kept)
        new = _doubted(new, terms, base.y, noise)
        move = np.abs(new.weight - sites.weight)
        shift = np.abs(new.weight * (new.response - base.y) - sites.weight * (sites.response - base.y))
        sites = new
        if max(float(move.max(initial=0.0)), float(shift.max(initial=0.0)) / np.sqrt(noise)) < tolerance:
            break
    return _State(data, fit, sites)


def _doubted(sites: Sites, terms: Terms, y: FloatArray, noise: float) -> Sites:
    """The stand-ins with the readings in doubt held at their own variance."""
    if terms.doubt is None:
        return sites
    doubted = np.isfinite(terms.doubt)
    response = np.where(doubted, y, sites.response)
    return replace(sites, response=response, weight=np.where(doubted, noise / terms.doubt, sites.weight))


def _stand_in(base: CrossedData, terms: Terms, sites: Sites, noise: float) -> CrossedData:
    """The kernel's arrays with the stand-ins, and further sensors of one reading each at the end.

    A prior on the mean path brings one reading of the level and one of the slope; the last one is the ballast.
    """
    data = replace(base, y=sites.response, weights=sites.weight)
    p = base.x.shape[1]
    if terms.prior is not None:
        prior, one = terms.prior, np.eye(p)
        if terms.slope:
            data = _with_reading(data, one[1], prior.slope, noise / prior.slope_sd**2)
        data = _with_reading(data, one[0], prior.level, noise / prior.level_sd**2)
    value = np.sqrt(ballast(noise, sites.spare, terms.floor) / LEAST_WEIGHT)
    return _with_reading(data, np.zeros(p), float(value), LEAST_WEIGHT)


def _with_reading(data: CrossedData, x: FloatArray, y: float, weight: float) -> CrossedData:
    """One more sensor with one reading at birth, on no cylinder, in no session."""
    assert data.weights is not None
    classes = tuple(
        replace(item, index=np.append(item.index, -1), value=None if item.value is None else np.append(item.value, 0.0))
        for item in data.classes
    )
    return replace(
        data,
        y=np.append(data.y, y),
        x=np.vstack([data.x, x]),
        offsets=np.append(data.offsets, data.offsets[-1] + 1),
        g=np.append(data.g, 0.0),
        weights=np.append(data.weights, weight),
        classes=classes,
    )


def _moved(old: VarianceParameters, new: VarianceParameters) -> float:
    """Largest move of a standard deviation, relative to the noise's or to itself, whichever is larger."""

    def deviations(item: VarianceParameters) -> FloatArray:
        return np.sqrt([item.residual, *np.diag(item.sensor), *item.crossed.values(), item.brownian])

    a, b = deviations(old), deviations(new)
    return float(np.max(np.abs(a - b) / np.maximum(np.maximum(a, b), 0.1 * np.sqrt(new.residual))))
