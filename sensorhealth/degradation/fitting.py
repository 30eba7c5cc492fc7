"""One stratum on one curve: the kernel's fit repeated on the working response until weights and estimates agree."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.curves.own_pace import TYPICAL_LOSS
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import LOT_SLOPE, Terms, at_columns, bend, crossed_data
from sensorhealth.degradation.reml_data import CrossedData, Method, Penalty, VarianceParameters
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.degradation.robust import EXACT, LEAST_WEIGHT, Sites, ballast, face_value, revise

START_NOISE = 1e-4  # variance, before any is known
SETTLED = 2e-3  # largest move of a stand-in at which the search for the variances goes on
STILL = 1e-10  # the same where numbers are to be reproduced
ROUNDS = 8  # searches for the variances
AGAIN = 2  # the same where another fit has shown the way
EARLY = 2  # moves of the stand-ins between two searches: the last ones bring them to rest
FIRST = 12  # the same before the first search, where there are censored records
LATE = 15  # the same at the end of a fit
STEPS = 150  # the same where numbers are to be reproduced
CAREFUL = 12  # moves after which they are damped
PACES = 12  # times that curves of own pace are made straight anew in one go
RESTED = 0.05  # move of a path, in standard deviations of the noise, at which they are straight enough
LIMIT = 0.5  # of a slope or of the typical one: largest move between two
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

    base: the kernel's arrays at face value. slopes: (n,) about which the paths of a curve of own pace were made straight,
    None for other curves; bend (N,): how far they lie off the straight line at the readings. fit: the kernel's result at
    `parameters` on the working response; its first n sensors are the stratum's lives (the ballast follows, and a prior's
    readings). search: the last search for the variances, None where they were given. degrees: of freedom of the noise.
    sites: what each record is worth. deviance: -2 log ML likelihood, tails and censoring counted.
    """

    curve: Curve
    terms: Terms
    base: CrossedData
    slopes: FloatArray | None
    bend: FloatArray
    fit: reml.CrossedFit
    search: reml.CrossedFit | None
    degrees: float
    sites: Sites
    deviance: float

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
    def parameters(self) -> VarianceParameters:
        """Variances at which everything stands."""
        return self.fit.parameters


@dataclass(frozen=True)
class _Ground:
    """A stratum on one curve laid out for the kernel; `base` is what it is at face value.

    The layout has further sensors of one reading each at the end. A prior on the mean path brings one reading of the level
    and one of the slope; the last one is the ballast.
    """

    stratum: Stratum
    curve: Curve
    terms: Terms
    base: CrossedData
    slopes: FloatArray | None
    bend: FloatArray
    layout: Layout

    @property
    def is_censored(self) -> bool:
        return bool(self.stratum.censoring.any())

    def is_plain(self, degrees: float) -> bool:
        """Whether the readings are Gaussian as they stand, so that no working response is needed."""
        return np.isinf(degrees) and self.terms.doubt is None and not self.is_censored

    def stand_in(self, sites: Sites, noise: float) -> Layout:
        """The layout with the stand-ins as readings."""
        terms, y, weights = self.terms, [sites.response - self.bend], [sites.weight]
        if terms.prior is not None:
            prior = terms.prior
            if terms.slope:
                y.append(np.array([prior.slope]))
                weights.append(np.array([noise / prior.slope_sd**2]))
            y.append(np.array([prior.level]))
            weights.append(np.array([noise / prior.level_sd**2]))
        y.append(np.sqrt([ballast(noise, sites.spare, terms.floor) / LEAST_WEIGHT]))
        weights.append(np.array([LEAST_WEIGHT]))
        return self.layout.with_readings(np.concatenate(y), np.concatenate(weights))


@dataclass(frozen=True)
class _Settling:
    """How stand-ins are brought to rest. degrees: of the noise; tolerance: largest move at the end; kept: see
    `robust.revise`; steps: most of them.
    """

    degrees: float
    method: Method
    tolerance: float
    kept: float
    steps: int

    @property
    def is_exact(self) -> bool:
        """Whether numbers are to be reproduced."""
        return self.tolerance < SETTLED


def _ground(stratum: Stratum, curve: Curve, terms: Terms, slopes: FloatArray | None) -> _Ground:
    base = crossed_data(stratum, curve, terms, slopes)
    bent = bend(curve, slopes, stratum.life, stratum.age) + stratum.gas_mean
    p = base.x.shape[1]
    one = np.eye(p)
    rows = [] if terms.prior is None else [one[1], one[0]] if terms.slope else [one[0]]
    rows.append(np.zeros(p))
    more = len(rows)
    classes = tuple(
        replace(
            item,
            index=np.append(item.index, np.full(more, -1)),
            value=None if item.value is None else np.append(item.value, np.zeros(more)),
        )
        for item in base.classes
    )
    data = replace(
        base,
        y=np.append(base.y - bent, np.zeros(more)),
        x=np.vstack([base.x, *rows]),
        offsets=np.append(base.offsets, base.offsets[-1] + 1 + np.arange(more)),
        g=np.append(base.g, np.zeros(more)),
        classes=classes,
    )
    return _Ground(stratum, curve, terms, base, slopes, bent, reml.lay_out(data))


def fit_curve(stratum: Stratum, curve: Curve, terms: Terms, options: Options, start: CurveFit | None = None) -> CurveFit:
    """Estimate a stratum on one curve; a start from another curve or from plainer terms saves most of the work."""
    ground = _ground(stratum, curve, terms, first_slopes(stratum, curve, start))
    degrees = options.degrees
    plain = ground.is_plain(degrees)
    if start is None or plain:
        sites = face_value(ground.base.y, stratum.censoring)
        search = _search(ground.stand_in(sites, START_NOISE), options, start.parameters if start else None)
        parameters = search.parameters
    else:
        sites, search, parameters = start.sites, None, start.parameters
    for number in range(0 if plain and not curve.own_pace else ROUNDS if start is None else AGAIN):
        early = FIRST if number == 0 and ground.is_censored else EARLY  # censored records move far
        ground, fit, sites = _rest(ground, parameters, sites, _Settling(degrees, options.method, SETTLED, 1.0, early))
        search = _search(fit.criterion.layout, options, parameters)
        moved, parameters = _moved(parameters, search.parameters), search.parameters
        if moved < ENOUGH:
            break
    return _finish(ground, parameters, sites, search, _Settling(degrees, options.method, SETTLED, EXACT, LATE))


def at_parameters(
    stratum: Stratum, curve: Curve, terms: Terms, parameters: VarianceParameters, degrees: float, method: Method
) -> CurveFit:
    """Everything at given variances; the same readings give the same numbers whatever way they came in."""
    ground = _ground(stratum, curve, terms, first_slopes(stratum, curve, None))
    sites = face_value(ground.base.y, stratum.censoring)
    return _finish(ground, parameters, sites, None, _Settling(degrees, method, STILL, EXACT, STEPS))


def _finish(
    ground: _Ground, parameters: VarianceParameters, sites: Sites, search: reml.CrossedFit | None, how: _Settling
) -> CurveFit:
    ground, fit, sites = _rest(ground, parameters, sites, how)
    likelihood = -0.5 * reml.deviance(fit.criterion.layout, parameters, "ML") + sites.gain
    noise = parameters.residual  # and less what the ballast added to the Gaussian likelihood
    extra = np.log(2.0 * np.pi * noise / LEAST_WEIGHT) + ballast(noise, sites.spare, ground.terms.floor) / noise
    likelihood += 0.5 * extra
    deviance = -2.0 * float(likelihood)
    return CurveFit(
        ground.curve, ground.terms, ground.base, ground.slopes, ground.bend, fit, search, how.degrees, sites, deviance
    )  # fmt: skip


def first_slopes(stratum: Stratum, curve: Curve, start: CurveFit | None) -> FloatArray | None:
    """Slopes (n,) about which to make a curve of own pace straight first: those that lose as much as the paths of `start`."""
    if not curve.own_pace:
        return None
    age = np.where(stratum.counts > 0, np.nan_to_num(stratum.last_age), curve.reference)
    age = np.maximum(age, 0.1 * curve.reference)
    if start is None:
        return np.full(age.size, float(curve.slope_of(-TYPICAL_LOSS, curve.reference)))
    return curve.slope_of(start.curve.path(life_slopes(stratum, start.fit), age), age)


def life_slopes(stratum: Stratum, fit: reml.CrossedFit) -> FloatArray:
    """Slope (n,) of each life: common, its lot's and its own."""
    n = stratum.life_id.size
    slope = fit.beta[1] + fit.sensor_effects[:n, 1]
    if LOT_SLOPE in fit.crossed:
        slope = slope + at_columns(fit.crossed[LOT_SLOPE][0], stratum.lot)
    return slope


def _rest(
    ground: _Ground, parameters: VarianceParameters, sites: Sites, how: _Settling
) -> tuple[_Ground, reml.CrossedFit, Sites]:
    """Stand-ins at rest at given variances, and a curve of own pace straight about the slopes that come of them."""
    fit, sites = _settle(ground, parameters, sites, how)
    if ground.slopes is None:
        return ground, fit, sites
    stratum, curve = ground.stratum, ground.curve
    typical = abs(float(curve.slope_of(-TYPICAL_LOSS, curve.reference)))
    last = np.nan_to_num(stratum.last_age)
    enough = 1e-3 * RESTED if how.is_exact else RESTED
    for _ in range(STEPS if how.is_exact else PACES):
        most = LIMIT * np.maximum(np.abs(ground.slopes), typical)
        move = np.clip(life_slopes(stratum, fit) - ground.slopes, -most, most)
        path = np.abs(move) * curve.path_by_slope(ground.slopes, last)
        ground = _ground(stratum, curve, ground.terms, ground.slopes + move)
        fit, sites = _settle(ground, parameters, sites, how)
        if float(path.max(initial=0.0)) < enough * np.sqrt(parameters.residual):
            break
    return ground, fit, sites


def _search(layout: Layout, options: Options, start: VarianceParameters | None) -> reml.CrossedFit:
    brownian, penalty = options.brownian, options.penalty
    return reml.fit(layout, method=options.method, brownian=brownian, penalty=penalty, start=start, tolerance=1e-4)


def class_effects(fitted: CurveFit, names: tuple[str, ...] | None = None) -> FloatArray:
    """Sum (N,) of the effects of the crossed classes (all, or those named) on each reading."""
    total = np.zeros(fitted.base.y.size)
    for item in fitted.base.classes:
        if item.size and (names is None or item.name in names):
            part = at_columns(fitted.fit.crossed[item.name][0], item.index)
            total += part if item.value is None else part * item.value
    return total


def _settle(ground: _Ground, parameters: VarianceParameters, sites: Sites, how: _Settling) -> tuple[reml.CrossedFit, Sites]:
    """Bring the stand-ins to rest at given variances, or as near as so many steps come; the kernel's answer with them."""
    y, noise = ground.base.y, parameters.residual
    plain = ground.is_plain(how.degrees)
    sites = _doubted(sites, ground.terms, y, noise)
    for number in range(how.steps):
        fit = reml.solve(ground.stand_in(sites, noise), parameters, how.method)
        if plain:
            break
        step = 1.0 if number < CAREFUL else 0.5
        mean, variance = fit.fitted[: y.size] + ground.bend, fit.fitted_variance[: y.size]
        new = revise(sites, y, ground.stratum.censoring, mean, variance, noise, how.degrees, step, how.kept)
        new = _doubted(new, ground.terms, y, noise)
        move = np.abs(new.weight - sites.weight)
        shift = np.abs(new.weight * (new.response - y) - sites.weight * (sites.response - y))
        sites = new
        if max(float(move.max(initial=0.0)), float(shift.max(initial=0.0)) / np.sqrt(noise)) < how.tolerance:
            break
    return fit, sites


def _doubted(sites: Sites, terms: Terms, y: FloatArray, noise: float) -> Sites:
    """The stand-ins with the readings in doubt held at their own variance."""
    if terms.doubt is None:
        return sites
    doubted = np.isfinite(terms.doubt)
    response = np.where(doubted, y, sites.response)
    return replace(sites, response=response, weight=np.where(doubted, noise / terms.doubt, sites.weight))


def _moved(old: VarianceParameters, new: VarianceParameters) -> float:
    """Largest move of a standard deviation, relative to the noise's or to itself, whichever is larger."""

    def deviations(item: VarianceParameters) -> FloatArray:
        crossed = [item.crossed.get(name, value) for name, value in new.crossed.items()]
        return np.sqrt([item.residual, *np.diag(item.sensor), *crossed, item.brownian])

    a, b = deviations(old), deviations(new)
    return float(np.max(np.abs(a - b) / np.maximum(np.maximum(a, b), 0.1 * np.sqrt(new.residual))))
