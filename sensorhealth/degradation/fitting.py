"""One stratum on one curve: the kernel's fit repeated on the working response until weights and estimates agree."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import Terms, Widths, crossed_data, gas_widths
from sensorhealth.degradation.reml_data import CrossedData, Method, Penalty, VarianceParameters
from sensorhealth.degradation.robust import DEGREES, LEAST_WEIGHT, Working, ballast, tail_likelihood, working

DEGREES_PRIOR = {3.0: -1.0, 5.0: -0.5, 8.0: 0.0, 15.0: 0.2, np.inf: 0.2}  # log prior: tails must show to be believed
SETTLED = 1e-3  # largest move of a weight at which the search for the variances goes on
STILL = 1e-10  # the same where numbers are to be reproduced
ROUNDS = 6  # searches for the variances
STEPS = 100  # most moves of the working response in one go
ENOUGH = 0.02  # relative move of a standard deviation at which the searches end


@dataclass(frozen=True)
class Options:
    """How to fit. degrees: of freedom of the noise, None to choose by likelihood, inf for Gaussian noise."""

    method: Method = "REML"
    degrees: float | None = None
    penalty: Penalty | None = None
    brownian: bool = False


@dataclass(frozen=True)
class CurveFit:
    """A stratum fitted on one curve.

    base: the kernel's arrays at face value. fit: the kernel's result at `parameters` on the working response; its
    first n sensors are the stratum's lives (one more follows where records are censored: the ballast). search: the
    last search for the variances, None where they were given. degrees: of freedom of the noise. mean, variance (N,):
    posterior of the latent reading with everything that was in it. weight (N,): relative precision of each record.
    deviance: -2 log ML likelihood, tails and censoring counted. widths: of the gas effects (see `gas_widths`).
    """

    curve: Curve
    terms: Terms
    base: CrossedData
    fit: reml.CrossedFit
    search: reml.CrossedFit | None
    degrees: float
    mean: FloatArray
    variance: FloatArray
    weight: FloatArray
    deviance: float
    widths: Widths

    @property
    def parameters(self) -> VarianceParameters:
        """Variances at which everything stands."""
        return self.fit.parameters


@dataclass(frozen=True)
class _State:
    """The working response at one point of the iteration, and the kernel's answer to it."""

    data: CrossedData
    fit: reml.CrossedFit
    work: Working

    def latent(self, count: int) -> tuple[FloatArray, FloatArray]:
        return self.fit.fitted[:count], self.fit.fitted_variance[:count]


def fit_curve(
    stratum: Stratum, curve: Curve, terms: Terms, options: Options, start: CurveFit | None = None
) -> CurveFit:
    """Estimate a stratum on one curve; a start from another curve or from plainer terms saves most of the work."""
    widths: Widths = {} if start is None else start.widths
    base = crossed_data(stratum, curve, terms, widths)
    if start is None:
        search = _search(base, options, None)
        mean, variance, degrees = search.fitted, search.fitted_variance, np.inf
        parameters = search.parameters
    else:
        mean, variance, degrees, parameters = start.mean, start.variance, start.degrees, start.parameters
        search = None
    for _ in range(ROUNDS):
        degrees = _degrees(stratum, options, mean, variance, parameters.residual)
        data = base
        if not is_plain(stratum, degrees):
            data = _settle(stratum, terms, base, parameters, degrees, options.method, mean, variance, SETTLED).data
        search = _search(data, options, parameters)
        mean, variance = search.fitted[: base.y.size], search.fitted_variance[: base.y.size]
        moved, parameters = _moved(parameters, search.parameters), search.parameters
        if start is None:
            widths, widened = gas_widths(base, search.crossed, parameters.crossed, widths)
            moved = max(moved, ENOUGH * widened)
            base = crossed_data(stratum, curve, terms, widths)
        if moved < ENOUGH:
            break
    return _finish(
        stratum, curve, terms, base, parameters, degrees, options.method, mean, variance, search, SETTLED, widths
    )


def at_parameters(
    stratum: Stratum,
    curve: Curve,
    terms: Terms,
    parameters: VarianceParameters,
    degrees: float,
    method: Method,
    widths: Widths,
) -> CurveFit:
    """Everything at given variances; the same readings give the same numbers whatever way they came in."""
    base = crossed_data(stratum, curve, terms, widths)
    return _finish(
        stratum, curve, terms, base, parameters, degrees, method, base.y, np.zeros_like(base.y), None, STILL, widths
    )


def _finish(
    stratum: Stratum,
    curve: Curve,
    terms: Terms,
    base: CrossedData,
    parameters: VarianceParameters,
    degrees: float,
    method: Method,
    mean: FloatArray,
    variance: FloatArray,
    search: reml.CrossedFit | None,
    tolerance: float,
    widths: Widths,
) -> CurveFit:
    state = _settle(stratum, terms, base, parameters, degrees, method, mean, variance, tolerance)
    mean, variance = state.latent(base.y.size)
    likelihood = -0.5 * reml.deviance(state.data, parameters, "ML") + state.work.bound
    if stratum.censoring.any():  # what the ballast added to the Gaussian likelihood
        likelihood += 0.5 * (
            np.log(2.0 * np.pi * parameters.residual / LEAST_WEIGHT) + max(1.0 + state.work.spare, 0.0)
        )
    deviance = -2.0 * float(likelihood)
    return CurveFit(
        curve, terms, base, state.fit, search, degrees, mean, variance, state.work.weight, deviance, widths
    )


def _search(data: CrossedData, options: Options, start: VarianceParameters | None) -> reml.CrossedFit:
    return reml.fit(
        data, method=options.method, brownian=options.brownian, penalty=options.penalty, start=start, tolerance=1e-4
    )


def is_plain(stratum: Stratum, degrees: float) -> bool:
    """Whether the readings are Gaussian as they stand, so that no working response is needed."""
    return np.isinf(degrees) and not stratum.censoring.any()


def _settle(
    stratum: Stratum,
    terms: Terms,
    base: CrossedData,
    parameters: VarianceParameters,
    degrees: float,
    method: Method,
    mean: FloatArray,
    variance: FloatArray,
    tolerance: float,
) -> _State:
    """Bring the working response to rest at given variances."""
    count, noise = base.y.size, parameters.residual
    before = np.zeros(count)
    for _ in range(STEPS):
        work = working(base.y, stratum.censoring, mean, variance, noise, degrees)
        data = _stand_in(base, terms, bool(stratum.censoring.any()), work, noise)
        state = _State(data, reml.solve(data, parameters, method), work)
        mean, variance = state.latent(count)
        now = work.weight * (1.0 + (work.response - base.y) / np.sqrt(noise))
        if is_plain(stratum, degrees) or np.max(np.abs(now - before), initial=0.0) < tolerance:
            break
        before = now
    return state


def _stand_in(base: CrossedData, terms: Terms, censored: bool, work: Working, noise: float) -> CrossedData:
    """The kernel's arrays with the working response, and further sensors of one reading each at the end.

    Censored records bring the ballast; a prior on the mean path brings one reading of the level and one of the slope.
    """
    data = replace(base, y=work.response, weights=work.weight)
    p = base.x.shape[1]
    if terms.prior is not None:
        prior, one = terms.prior, np.eye(p)
        if terms.slope:
            data = _with_reading(data, one[1], prior.slope, noise / prior.slope_sd**2)
        data = _with_reading(data, one[0], prior.level, noise / prior.level_sd**2)
    if censored:
        data = _with_reading(data, np.zeros(p), ballast(noise, work.spare), LEAST_WEIGHT)
    return data


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


def _degrees(stratum: Stratum, options: Options, mean: FloatArray, variance: FloatArray, noise: float) -> float:
    """Degrees of freedom of the noise: given, or the likeliest of a few at the present residuals."""
    if options.degrees is not None:
        return options.degrees
    seen = stratum.censoring == 0
    square = (stratum.y[seen] - mean[seen]) ** 2 + variance[seen]
    scores: list[float] = []
    for degrees in DEGREES:
        scale = noise
        for _ in range(20 if np.isfinite(degrees) else 1):
            weight = (degrees + 1.0) / (degrees + square / scale) if np.isfinite(degrees) else np.ones_like(square)
            scale = max(float(np.mean(weight * square)), 1e-300)
        scores.append(tail_likelihood(square, scale, degrees) + DEGREES_PRIOR[degrees])
    return DEGREES[int(np.argmax(scores))]


def _moved(old: VarianceParameters, new: VarianceParameters) -> float:
    """Largest move of a standard deviation, relative to the noise's or to itself, whichever is larger."""

    def deviations(item: VarianceParameters) -> FloatArray:
        return np.sqrt([item.residual, *np.diag(item.sensor), *item.crossed.values(), item.brownian])

    a, b = deviations(old), deviations(new)
    return float(np.max(np.abs(a - b) / np.maximum(np.maximum(a, b), 0.1 * np.sqrt(new.residual))))
