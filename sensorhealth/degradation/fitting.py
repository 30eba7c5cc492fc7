"""One stratum on one curve: the kernel's fit repeated on the working response until weights and estimates agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import Terms, at_columns
from sensorhealth.degradation.ground import Ground, first_slopes, lay_ground
from sensorhealth.degradation.reml_data import CrossedData, Method, Penalty, VarianceParameters
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.degradation.robust import EXACT, LEAST_WEIGHT, Sites, ballast, face_value
from sensorhealth.degradation.settling import EXACTLY, Settling, settle

START_NOISE = 1e-4  # variance, before any is known
SETTLED = 2e-3  # largest move of a stand-in at which the search for the variances goes on
STILL = 1e-10  # the same where numbers are to be reproduced
ROUNDS = 8  # searches for the variances
AGAIN = 2  # the same where another fit has shown the way
EARLY = 2  # moves of the stand-ins between two searches: the last ones bring them to rest
FIRST = 12  # the same before the first search of all: censored records move far
OTHER = 5  # the same where the noise now has other tails
LATE = 15  # the same at the end of a fit
SEEN = 0.1  # change of the deviance at which the end of a fit is reached
STEPS = 150  # the same where numbers are to be reproduced
ENOUGH = 0.02  # relative move of a standard deviation at which the searches end
NEARLY = 0.15  # the same where curves are compared
ROUGHLY = 0.1  # the same where only the noise is to be seen


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

    ground: its arrays. fit: the kernel's result at `parameters` on the working response; its first n sensors are the
    stratum's lives (the ballast follows, and a prior's readings). search: the last search for the variances, None where
    they were given. degrees: of freedom of the noise. held: stand-ins at which the variances were searched for; sites:
    what each record is worth in the end. deviance: -2 log ML likelihood, tails and censoring counted.
    """

    ground: Ground
    fit: reml.CrossedFit
    search: reml.CrossedFit | None
    degrees: float
    held: Sites
    sites: Sites
    deviance: float

    @property
    def curve(self) -> Curve:
        return self.ground.curve

    @property
    def terms(self) -> Terms:
        return self.ground.terms

    @property
    def base(self) -> CrossedData:
        """The kernel's arrays at face value."""
        return self.ground.base

    @property
    def slopes(self) -> FloatArray | None:
        """Slopes (n,) about which paths of own pace are straight."""
        return self.ground.slopes

    @property
    def bend(self) -> FloatArray:
        """How far paths of own pace lie off the straight line at the readings (N,), with what is held of the gas beforehand."""
        return self.ground.bend

    @property
    def layout(self) -> Layout:
        """The working response as the kernel has it."""
        return self.fit.criterion.layout

    @property
    def mean(self) -> FloatArray:
        """Posterior mean of the latent reading of each record (N,), with everything that was in it."""
        return self.fit.fitted[: self.base.y.size] + self.bend

    @property
    def variance(self) -> FloatArray:
        """Its posterior variance (N,)."""
        return self.fit.fitted_variance[: self.base.y.size]

    @property
    def wanders(self) -> bool:
        """Whether the noise is more than white: the path wanders, or readings wiggle about it."""
        return self.parameters.brownian > 0.0 or self.terms.wiggle is not None

    @property
    def parameters(self) -> VarianceParameters:
        """Variances at which everything stands."""
        return self.fit.parameters


def fit_curve(
    stratum: Stratum,
    curve: Curve,
    terms: Terms,
    options: Options,
    start: CurveFit | None = None,
    likely: VarianceParameters | None = None,
    enough: float = ENOUGH,
) -> CurveFit:
    """Estimate a stratum on one curve; a start from another curve or from plainer terms saves most of the work.

    likely: variances to search from; None: those of the start. enough: relative move of a standard deviation at which the
    searches end.
    """
    found = _searched(stratum, curve, terms, options, start, ROUNDS if start is None else AGAIN, enough, likely)
    how = Settling(options.degrees, options.method, SETTLED, EXACT, LATE, enough=SEEN)
    return _finish(found.ground, found.parameters, found.held, found.held, found.search, how)


def fit_beside(stratum: Stratum, curve: Curve, terms: Terms, options: Options, start: CurveFit) -> CurveFit:
    """A stratum on another curve at the variances of `start`: enough for one that hardly counts beside it."""
    ground = start.ground.moved(curve, terms, first_slopes(stratum, curve, (start.curve, start.fit)))
    how = Settling(options.degrees, options.method, SETTLED, EXACT, LATE, enough=SEEN)
    return _finish(ground, start.parameters, start.held, start.sites, None, how)


def rough_fit(stratum: Stratum, curve: Curve, terms: Terms, options: Options, start: CurveFit | None = None) -> CurveFit:
    """As `fit_curve`, but near the estimates only: enough to see what the noise is like, and the deviance roughly."""
    found = _searched(stratum, curve, terms, options, start, ROUNDS if start is None else 1, ROUGHLY)
    how = Settling(options.degrees, options.method, SETTLED, 1.0, EARLY)
    ground, fit, held = settle(found.ground, found.parameters, found.held, how)
    return CurveFit(ground, fit, found.search, options.degrees, held, held, _deviance(ground, fit, held))


@dataclass(frozen=True)
class _Searched:
    """Where the searches for the variances ended: ground, variances, stand-ins then."""

    ground: Ground
    parameters: VarianceParameters
    held: Sites
    search: reml.CrossedFit


def _searched(
    stratum: Stratum,
    curve: Curve,
    terms: Terms,
    options: Options,
    start: CurveFit | None,
    rounds: int,
    enough: float,
    likely: VarianceParameters | None = None,
) -> _Searched:
    """Search for the variances at stand-ins that are brought to rest in between."""
    slopes = first_slopes(stratum, curve, (start.curve, start.fit) if start else None)
    if start is not None and start.ground.suits(stratum, terms):
        ground = start.ground.moved(curve, terms, slopes)
    else:
        ground = lay_ground(stratum, curve, terms, slopes)
    degrees = options.degrees
    plain = ground.is_plain(degrees)
    alike = start is not None and start.degrees == degrees
    if start is None or plain:
        held = face_value(ground.base.y, stratum.censoring)
        search = _search(ground.stand_in(held, START_NOISE), options, likely or (start.parameters if start else None))
        parameters = search.parameters
    else:
        held, parameters = start.held, likely or start.parameters
    for number in range(0 if plain and not curve.own_pace else rounds):
        early = EARLY if number or alike else FIRST if start is None else OTHER
        ground, fit, held = settle(ground, parameters, held, Settling(degrees, options.method, SETTLED, 1.0, early))
        search = _search(fit.criterion.layout, options, parameters, fit)
        moved, parameters = _moved(parameters, search.parameters), search.parameters
        if moved < enough:
            break
    return _Searched(ground, parameters, held, search)


def at_parameters(
    stratum: Stratum, curve: Curve, terms: Terms, parameters: VarianceParameters, degrees: float, method: Method
) -> CurveFit:
    """Everything at given variances; the same readings give the same numbers whatever way they came in."""
    ground = lay_ground(stratum, curve, terms, first_slopes(stratum, curve, None))
    sites = face_value(ground.base.y, stratum.censoring)
    how = Settling(degrees, method, STILL, EXACT, STEPS, EXACTLY, 0.0)
    return _finish(ground, parameters, sites, sites, None, how)


def _finish(
    ground: Ground,
    parameters: VarianceParameters,
    held: Sites,
    sites: Sites,
    search: reml.CrossedFit | None,
    how: Settling,
) -> CurveFit:
    ground, fit, sites = settle(ground, parameters, sites, how)
    return CurveFit(ground, fit, search, how.degrees, held, sites, _deviance(ground, fit, sites))


def _deviance(ground: Ground, fit: reml.CrossedFit, sites: Sites) -> float:
    """-2 log ML likelihood, tails and censoring counted, less what the ballast added to the Gaussian one."""
    noise = fit.parameters.residual
    extra = np.log(2.0 * np.pi * noise / LEAST_WEIGHT) + ballast(noise, sites.spare, ground.terms.floor) / noise
    return float(fit.deviance_ml - 2.0 * sites.gain - extra)


def _search(
    layout: Layout, options: Options, start: VarianceParameters | None, known: reml.CrossedFit | None = None
) -> reml.CrossedFit:
    brownian, penalty = options.brownian, options.penalty
    return reml.fit(layout, method=options.method, brownian=brownian, penalty=penalty, start=start, known=known, tolerance=1e-4)


def class_effects(fitted: CurveFit, names: tuple[str, ...] | None = None) -> FloatArray:
    """Sum (N,) of the effects of the crossed classes (all, or those named) on each reading."""
    total = np.zeros(fitted.base.y.size)
    for item in fitted.base.classes:
        if item.size and (names is None or item.name in names):
            part = at_columns(fitted.fit.crossed[item.name][0], item.index)
            total += part if item.value is None else part * item.value
    return total


def _moved(old: VarianceParameters, new: VarianceParameters) -> float:
    """Largest move of a standard deviation, relative to the noise's or to itself, whichever is larger."""

    def deviations(item: VarianceParameters) -> FloatArray:
        crossed = [item.crossed.get(name, value) for name, value in new.crossed.items()]
        return np.sqrt([item.residual, *np.diag(item.sensor), *crossed, item.brownian])

    a, b = deviations(old), deviations(new)
    return float(np.max(np.abs(a - b) / np.maximum(np.maximum(a, b), 0.1 * np.sqrt(new.residual))))
