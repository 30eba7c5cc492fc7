"""All lives of a very large kind at the variances and on the curves that a part of them told.

What lives share is solved for exactly, by conjugate gradients (kernel: all_shared.py), and so are the means of all paths given it
(all_paths.py). How sure these are counts each reading's gas and session as known to what the readings of their cylinder and day
leave open, as if the errors of two cylinders had nothing to do with each other; a few per cent of a standard deviation (tested).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation.all_common import Common, common_spread
from sensorhealth.degradation.all_gas import gas_variances
from sensorhealth.degradation.all_lines import paths_of
from sensorhealth.degradation.all_shared import Shared, solve_shared
from sensorhealth.degradation.all_sites import revised
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import FloatArray, IntArray, Stratum
from sensorhealth.degradation.effects import (
    CYLINDER,
    FADE,
    LOT_LEVEL,
    LOT_SLOPE,
    SESSION,
    STATED,
    STEP,
    Terms,
    at_columns,
    bend,
    crossed_data,
    steps_found,
)
from sensorhealth.degradation.fitting import SETTLED, CurveFit
from sensorhealth.degradation.ground import nearer, slopes_losing_alike
from sensorhealth.degradation.part import spread_of
from sensorhealth.degradation.reml_data import CrossedClass, CrossedData, VarianceParameters, crossed_variances
from sensorhealth.degradation.robust import LEAST_WEIGHT, Sites, face_value
from sensorhealth.degradation.settling import RESTED

SWEEPS = 8  # over all readings, at most
ROUGHLY, EXACTLY = 1e-3, 1e-6  # of the equations of what lives share, on the way and in the end
STRAGGLERS = 0.002  # share of the stand-ins that need not have come to rest
NONE_COMMON = Common(np.zeros(0, dtype=np.int64), np.zeros((0, 2, 2)), np.zeros((1, 2, 2)), *np.zeros((2, 0)))


@dataclass(frozen=True)
class SharedFit:
    """What lives share: fixed effects and each class's effects with their variances; as `reml.CrossedFit` has them."""

    beta: FloatArray
    beta_covariance: FloatArray
    crossed: Mapping[str, tuple[FloatArray, FloatArray]]
    between: FloatArray  # (C,) covariance of bias and fade of each cylinder on record

    def crossed_covariance(self, first: str, i: IntArray, second: str, j: IntArray) -> FloatArray:
        """Covariance (m,) of effects i of one class of the gas with effects j of the other."""
        del i
        return self.between[j] if {first, second} & {STATED, CYLINDER} and FADE in (first, second) else np.zeros(j.size)


@dataclass(frozen=True)
class AllFit:
    """A stratum with all its lives on one curve; what `fitting.CurveFit` says of one that was fitted in full.

    own (3, n): prior covariance of each life's level and slope, with what is not known of the common path; common:
    what is not known of its region (`all_common`), to be added to what its readings leave; lots: variances (lots,) of what
    is not known of theirs. noise (N,): of each reading, with what is not known of its gas and session; paths (N,): variance of
    its life's path then.
    """

    stratum: Stratum
    curve: Curve
    terms: Terms
    parameters: VarianceParameters
    degrees: float
    base: CrossedData
    bend: FloatArray
    slopes: FloatArray | None
    sites: Sites
    fit: SharedFit
    mean: FloatArray
    variance: FloatArray
    origin: tuple[FloatArray, FloatArray]
    own: FloatArray
    common: Common
    lots: dict[str, FloatArray]
    noise: FloatArray
    paths: FloatArray


def fit_all(
    stratum: Stratum,
    part: CurveFit,
    terms: Terms,
    begin: AllFit | None = None,
    *,
    elsewhere: bool = False,
    tolerance: float = EXACTLY,
) -> AllFit:
    """All lives of `stratum` at the variances of `part` on its curve; begin: an earlier fit of the same readings.

    elsewhere: the part is of other lives of the kind, so that what it says of the common path stands beside these readings.
    tolerance: of the equations of what lives share.
    """
    return _Sweeps(stratum, part, terms, begin, elsewhere, tolerance).run()


class _Sweeps:
    """Stand-ins, what lives share, and paths, in turn until they rest."""

    def __init__(
        self, stratum: Stratum, part: CurveFit, terms: Terms, begin: AllFit | None, elsewhere: bool, tolerance: float
    ) -> None:
        self.stratum, self.part, self.terms, self.tolerance = stratum, part, terms, tolerance
        precision = np.asarray(np.linalg.pinv(part.fit.beta_covariance, hermitian=True), dtype=float)
        self.told = (part.fit.beta, precision) if elsewhere else None
        self.step = steps_found(stratum)
        before = None if begin is None else (begin.curve, begin.origin[0][:, 1])
        self.slopes = slopes_losing_alike(stratum, part.curve, before)
        self._on_curve()
        names = [item.name for item in self.base.classes]
        sites = face_value(self.base.y, stratum.censoring) if begin is None else begin.sites
        self.sites = _doubted(sites, terms, self.base.y, part.parameters.residual)
        self.beta = part.fit.beta if begin is None else begin.fit.beta
        old = {} if begin is None else begin.fit.crossed
        sizes = {item.name: item.size for item in self.base.classes}
        self.effects = {name: old[name][0] if name in old and old[name][0].size == sizes[name] else np.zeros(sizes[name])
                        for name in names if name != STEP}  # fmt: skip
        self.common = None if begin is None else begin.common
        self.same_times = begin is not None and begin.curve == part.curve and begin.slopes is None and self.slopes is None
        self.lots: dict[str, FloatArray] = {}
        self.known_lots: dict[str, FloatArray] = {}
        self.life_variance = np.zeros(self.base.y.size) if begin is None else begin.paths

    def _on_curve(self) -> None:
        stratum, curve = self.stratum, self.part.curve
        self.base = crossed_data(stratum, curve, self.terms, self.slopes)
        self.bend = bend(curve, self.slopes, stratum.life, stratum.age) + stratum.gas_mean
        variance = crossed_variances(self.base.classes, self._class_variances())
        self.prior = {
            item.name: np.full(item.size, variance[k]) * (1.0 if item.scale is None else item.scale**2)
            for k, item in enumerate(self.base.classes)
        }

    def _class_variances(self) -> dict[str, float]:
        known = self.part.parameters.crossed
        return {item.name: known.get(item.name, 0.0) for item in self.base.classes if item.fixed_variance is None}

    def run(self) -> AllFit:
        """The fit where everything rests, or after SWEEPS."""
        parameters = self.part.parameters
        plain = np.isinf(self.part.degrees) and not self.stratum.censoring.any()
        for number in range(SWEEPS if self.slopes is not None or not plain else 0):
            found = self._solve(ROUGHLY)
            moved = self._straighten(found)
            if plain:
                new, restless = self.sites, 0
            else:
                new = revised(
                    self.sites, self.base.y, self.stratum.censoring, found.mean, found.variance, parameters.residual,
                    self.part.degrees, 1.0 if number < 2 else 0.7, self.terms.doubt,
                )  # fmt: skip
                pull = new.weight * (new.response - self.base.y) - self.sites.weight * (self.sites.response - self.base.y)
                move = np.maximum(np.abs(new.weight - self.sites.weight), np.abs(pull) / np.sqrt(parameters.residual))
                restless = int((move > 10.0 * SETTLED).sum())
            self.sites = new
            if not moved and restless <= STRAGGLERS * self.base.y.size:
                if self.tolerance >= ROUGHLY:
                    return self._with_common(found)
                break
        return self._with_common(self._solve(self.tolerance))

    def _straighten(self, found: AllFit) -> bool:
        """A curve of own pace made straight about the slopes now found, if they moved its paths."""
        if self.slopes is None:
            return False
        curve, stratum = self.part.curve, self.stratum
        move = nearer(curve, self.slopes, found.origin[0][:, 1]) - self.slopes
        path = np.abs(move) * curve.path_by_slope(self.slopes, np.nan_to_num(stratum.last_age))
        if float(np.quantile(path, 1.0 - STRAGGLERS)) < RESTED * np.sqrt(self.part.parameters.residual):
            return False
        self.slopes = self.slopes + move
        self._on_curve()
        return True

    def _solve(self, tolerance: float) -> AllFit:
        """Everything given the present stand-ins, but for what regions have in common."""
        stratum, base, parameters = self.stratum, self.base, self.part.parameters
        noise = parameters.residual / self.sites.weight
        sensor = three(parameters.sensor)[:, None]
        paths = paths_of(stratum.offsets, base.g, noise, sensor, parameters.brownian, self.step)
        order = paths.order
        classes = {item.name: _shared(item, self.prior[item.name], order) for item in base.classes if item.name != STEP}
        y = self.sites.response - self.bend
        begin = self.beta, [self.effects[name] for name in classes]
        self.beta, effects = solve_shared(paths, y[order], base.x[order], list(classes.values()), begin, tolerance, self.told)
        self.effects = dict(zip(classes, effects))
        shared = base.x @ self.beta
        for name, item in classes.items():
            shared[order] += item.on_readings(self.effects[name])
        own = y - shared
        smooth = np.empty_like(own)
        smooth[order], state = paths.smoothed(own[order])
        return self._found(classes, order, noise, shared + smooth, state)

    def _found(
        self,
        classes: dict[str, Shared],
        order: IntArray,
        noise: FloatArray,
        fitted: FloatArray,
        state: FloatArray,
    ) -> AllFit:
        stratum, parameters = self.stratum, self.part.parameters
        variances, between, gas = gas_variances(stratum, classes, order, noise, self.life_variance)
        prior = self._prior_of_lives()
        variances |= self.lots
        open_ = paths_of(stratum.offsets, self.base.g, noise + gas, prior, parameters.brownian, self.step)
        path = np.empty_like(noise)
        path[open_.order] = open_.variance()
        self.life_variance = path
        others = path / np.maximum(1.0 - path / (noise + gas), 1e-3) + gas
        lot = [at_columns(self.effects[name], stratum.lot) if name in self.effects else 0.0 for name in (LOT_LEVEL, LOT_SLOPE)]
        c11, c12, c22 = open_.covariance
        origin = np.stack([state[0] + self.beta[0] + lot[0], state[1] + self.beta[1] + lot[1]], axis=1)
        covariance = np.moveaxis(np.array([[c11, c12], [c12, c22]]), 2, 0)
        fit = SharedFit(
            self.beta, self.part.fit.beta_covariance,
            {name: (self.effects[name], variances[name]) for name in classes}, between,
        )  # fmt: skip
        return AllFit(
            stratum, self.part.curve, self.terms, parameters, self.part.degrees, self.base, self.bend, self.slopes, self.sites,
            fit, fitted + self.bend, 1.0 / (1.0 / others + 1.0 / noise), (origin, covariance), prior,
            NONE_COMMON, dict(self.known_lots), noise + gas, path,
        )  # fmt: skip

    def _with_common(self, found: AllFit) -> AllFit:
        """The fit with what is not known of each region, and the variance that it gives lives and the classes of the gas; no
        stand-in is moved by it."""
        parameters, stratum = self.part.parameters, self.stratum
        gas = [item for item in self.base.classes if item.name in (STATED, CYLINDER)]
        gas = gas or [item for item in self.base.classes if item.name == SESSION]
        column, variance = np.full(self.base.y.size, -1, dtype=np.int64), np.zeros(0)
        for item in gas:
            column = np.where(item.index >= 0, item.index + variance.size, column)
            variance = np.append(variance, self.prior[item.name])
        beta = self.part.fit.beta_covariance[:2, :2]
        common = common_spread(
            stratum.life, column, self.base.g, variance, parameters.sensor, beta, stratum.life_id.size, self.common,
            self.same_times,
        )  # fmt: skip
        cut = np.cumsum([item.size for item in gas])[:-1]
        crossed = dict(found.fit.crossed)
        for item, shift in zip(gas, np.split(common.columns, cut)):
            effects, known = crossed[item.name]
            crossed[item.name] = effects, known + shift
        origin, covariance = found.origin
        return replace(found, fit=replace(found.fit, crossed=crossed), origin=(origin, covariance + common.spread), common=common)

    def _prior_of_lives(self) -> FloatArray:
        """Prior covariance (3, n) of each life's level and slope, with what is not known of its kind's and lot's."""
        stratum, parameters, fit = self.stratum, self.part.parameters, self.part.fit
        found = np.repeat((three(parameters.sensor) + three(fit.beta_covariance[:2, :2]))[:, None], stratum.life_id.size, axis=1)
        for name, k in ((LOT_LEVEL, 0), (LOT_SLOPE, 2)):
            if name in self.effects:
                error = parameters.residual / max(float(np.median(stratum.counts)), 1.0)
                known = spread_of(
                    stratum.lot, float(three(parameters.sensor)[k]), float(self.prior[name][0]), error, stratum.lots.size
                )
                found[k] += at_columns(known, stratum.lot)
                self.known_lots[name] = known
                several = max(np.unique(stratum.lot[stratum.lot >= 0]).size, 1)
                self.lots[name] = known + self.prior[name][0] / several  # the mean of all lots is the kind's
        return found


def _shared(item: CrossedClass, variance: FloatArray, order: IntArray) -> Shared:
    return Shared(item.index[order], None if item.value is None else item.value[order], variance)


def three(matrix: FloatArray) -> FloatArray:
    """A symmetric 2x2 matrix as 11, 12, 22."""
    return np.array([matrix[0, 0], matrix[0, 1], matrix[1, 1]])


def _doubted(sites: Sites, terms: Terms, y: FloatArray, noise: float) -> Sites:
    if terms.doubt is None:
        return sites
    doubted = np.isfinite(terms.doubt)
    weight = np.where(doubted, noise / np.where(doubted, terms.doubt, 1.0), sites.weight)
    return replace(sites, response=np.where(doubted, y, sites.response), weight=np.maximum(weight, LEAST_WEIGHT))
