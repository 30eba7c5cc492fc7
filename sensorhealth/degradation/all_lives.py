"""All lives of a very large kind at the variances and on the curves that a part of them told.

What lives share is solved for exactly, by conjugate gradients (kernel: all_shared.py), and so are the means of all paths given it
(all_paths.py). How sure these are counts each reading's gas and session as known to what the readings of their cylinder and day leave
open, as if the errors of two cylinders had nothing to do with each other; a few per cent of a standard deviation (tested).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from sensorhealth.degradation.all_common import common_spread
from sensorhealth.degradation.all_paths import Paths
from sensorhealth.degradation.all_shared import Shared, solve_shared
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.curves.own_pace import TYPICAL_LOSS
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
from sensorhealth.degradation.part import spread_of
from sensorhealth.degradation.predicting import Component
from sensorhealth.degradation.reml_data import CrossedClass, CrossedData, VarianceParameters, crossed_variances
from sensorhealth.degradation.robust import EXACT, LEAST_WEIGHT, Sites, face_value, revise
from sensorhealth.degradation.settling import LIMIT, RESTED

SWEEPS = 8  # over all readings, at most
ROUGHLY, EXACTLY = 1e-3, 1e-7  # of the equations of what lives share, on the way and in the end
STRAGGLERS = 0.002  # share of the stand-ins that need not have come to rest

Begin = tuple[Sites, FloatArray, Mapping[str, FloatArray]]


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

    own (3, n): prior covariance of each life's level and slope, with what is not known of the common path; common (3, n):
    what is not known of its region (`all_common`), to be added to what its readings leave. noise (N,): of each
    reading, with what is not known of its gas and session.
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
    common: FloatArray
    noise: FloatArray


@dataclass(frozen=True)
class AllLives(Component):
    """One curve at one set of variances, for all lives of a large kind."""

    @property
    def slack(self) -> int:
        return 0

    @cached_property
    def origin(self) -> tuple[FloatArray, FloatArray]:
        """Posterior of (level at birth, slope per unit phi): mean (n, 2), covariance (n, 2, 2)."""
        return self._all.origin

    @property
    def _all(self) -> AllFit:
        assert isinstance(self.fitted, AllFit)
        return self.fitted

    def latent(self, index: IntArray, age: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and variance (m,) of the latent path of lives `index` (m,) at any `age` (m,), in or after."""
        fitted, stratum = self._all, self.stratum
        lives, place = np.unique(index, return_inverse=True)
        slopes = None if fitted.slopes is None else fitted.slopes[lives]
        rows = np.concatenate([np.arange(*stratum.offsets[life : life + 2]) for life in lives] or [np.zeros(0, np.int64)])
        common = np.stack([at_columns(fitted.fit.crossed[name][0], stratum.lot[lives]) if name in fitted.fit.crossed
                           else np.zeros(lives.size) for name in (LOT_LEVEL, LOT_SLOPE)]) + fitted.fit.beta[:2, None]  # fmt: skip
        phi = fitted.curve.value(age) if slopes is None else fitted.curve.path_by_slope(slopes[place], age)
        life = np.concatenate([np.repeat(np.arange(lives.size), stratum.counts[lives]), place])
        asked = np.repeat([0.0, 1.0], [rows.size, index.size])
        g = np.concatenate([fitted.base.g[rows], phi])
        order = np.lexsort((asked, g, life))
        own = _own(fitted)[rows]
        known = np.append(fitted.parameters.residual / fitted.sites.weight[rows], np.full(index.size, np.inf))[order]
        wide = np.append(fitted.noise[rows], np.full(index.size, np.inf))[order]
        step = np.append(steps_found(stratum)[rows], np.zeros(index.size))[order]
        offsets = np.searchsorted(life[order], np.arange(lives.size + 1)).astype(np.int64)
        sensor = _three(fitted.parameters.sensor)[:, None]
        narrow = Paths(offsets, g[order], known, sensor, fitted.parameters.brownian, step)
        open_ = Paths(offsets, g[order], wide, fitted.own[:, lives], fitted.parameters.brownian, step)
        mean, variance = np.empty(order.size), np.empty(order.size)
        to = order[narrow.order]
        mean[to], variance[to] = narrow.smoothed(np.append(own, np.zeros(index.size))[to]), open_.variance()
        found = mean[rows.size :] + common[0, place] + common[1, place] * phi + bend(fitted.curve, slopes, place, age)
        c11, c12, c22 = fitted.common[:, index]
        spread = variance[rows.size :] + c11 + 2.0 * phi * c12 + phi**2 * c22
        jump = np.where(age >= stratum.last_age[index], self.jump[index], 0.0)
        return found + self.share * jump, spread + self.share * (1.0 - self.share) * jump**2


def fit_all(stratum: Stratum, part: CurveFit, terms: Terms, begin: AllFit | None = None) -> AllFit:
    """All lives of `stratum` at the variances of `part` on its curve; begin: an earlier fit of the same readings."""
    return _Sweeps(stratum, part, terms, begin).run()


class _Sweeps:
    """Stand-ins, what lives share, and paths, in turn until they rest."""

    def __init__(self, stratum: Stratum, part: CurveFit, terms: Terms, begin: AllFit | None) -> None:
        self.stratum, self.part, self.terms = stratum, part, terms
        self.step = steps_found(stratum)
        self.slopes = _first_slopes(stratum, part.curve, begin)
        self._on_curve()
        names = [item.name for item in self.base.classes]
        sites = face_value(self.base.y, stratum.censoring) if begin is None else begin.sites
        self.sites = _doubted(sites, terms, self.base.y, part.parameters.residual)
        self.beta = part.fit.beta if begin is None else begin.fit.beta
        old = {} if begin is None else begin.fit.crossed
        sizes = {item.name: item.size for item in self.base.classes}
        self.effects = {name: old[name][0] if name in old and old[name][0].size == sizes[name] else np.zeros(sizes[name])
                        for name in names if name != STEP}  # fmt: skip
        self.lots: dict[str, FloatArray] = {}
        self.life_variance = np.zeros(self.base.y.size) if begin is None else begin.variance

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
        plain = np.isinf(self.part.degrees) and self.terms.doubt is None and not self.stratum.censoring.any()
        for number in range(SWEEPS):
            found = self._solve(ROUGHLY)
            moved = self._straighten(found)
            if plain:
                new, restless = self.sites, 0
            else:
                new = revise(
                    self.sites, self.base.y, self.stratum.censoring, found.mean, found.variance, parameters.residual,
                    self.part.degrees, 1.0 if number < 2 else 0.7, EXACT, self.terms.doubt,
                )  # fmt: skip
                pull = new.weight * (new.response - self.base.y) - self.sites.weight * (self.sites.response - self.base.y)
                move = np.maximum(np.abs(new.weight - self.sites.weight), np.abs(pull) / np.sqrt(parameters.residual))
                restless = int((move > 10.0 * SETTLED).sum())
            self.sites = new
            if not moved and restless <= STRAGGLERS * self.base.y.size:
                break
        return self._solve(EXACTLY)

    def _straighten(self, found: AllFit) -> bool:
        """A curve of own pace made straight about the slopes now found, if they moved its paths."""
        if self.slopes is None:
            return False
        curve, stratum = self.part.curve, self.stratum
        typical = abs(float(curve.slope_of(-TYPICAL_LOSS, curve.reference)))
        most = LIMIT * np.maximum(np.abs(self.slopes), typical)
        move = np.clip(found.origin[0][:, 1] - self.slopes, -most, most)
        path = np.abs(move) * curve.path_by_slope(self.slopes, np.nan_to_num(stratum.last_age))
        if float(np.quantile(path, 1.0 - STRAGGLERS)) < RESTED * np.sqrt(self.part.parameters.residual):
            return False
        self.slopes = self.slopes + move
        self._on_curve()
        return True

    def _solve(self, tolerance: float) -> AllFit:
        """Everything given the present stand-ins."""
        stratum, base, parameters = self.stratum, self.base, self.part.parameters
        noise = parameters.residual / self.sites.weight
        paths = Paths(
            stratum.offsets, base.g, noise, _three(parameters.sensor)[:, None], parameters.brownian, self.step
        )  # fmt: skip
        order = paths.order
        classes = {item.name: _shared(item, self.prior[item.name], order) for item in base.classes if item.name != STEP}
        y = self.sites.response - self.bend
        begin = self.beta, [self.effects[name] for name in classes]
        self.beta, effects = solve_shared(paths, y[order], base.x[order], list(classes.values()), begin, tolerance)
        self.effects = dict(zip(classes, effects))
        shared = base.x @ self.beta
        for name, item in classes.items():
            shared[order] += item.on_readings(self.effects[name])
        own = y - shared
        smooth = np.empty_like(own)
        smooth[order] = paths.smoothed(own[order])
        state = paths.state(own[order])
        return self._found(classes, order, noise, shared + smooth, state)

    def _found(self, classes: dict[str, Shared], order: IntArray, noise: FloatArray, fitted: FloatArray, state: FloatArray) -> AllFit:
        stratum, parameters = self.stratum, self.part.parameters
        variances, between, gas = self._gas(classes, order, noise)
        prior = self._prior_of_lives()
        variances |= self.lots
        open_ = Paths(stratum.offsets, self.base.g, noise + gas, prior, parameters.brownian, self.step)
        path = np.empty_like(noise)
        path[open_.order] = open_.variance()
        self.life_variance = path
        others = path / np.maximum(1.0 - path / (noise + gas), 1e-3) + gas
        lot = [at_columns(self.effects[name], stratum.lot) if name in self.effects else 0.0 for name in (LOT_LEVEL, LOT_SLOPE)]
        c11, c12, c22 = open_.covariance
        origin = np.stack([state[0] + self.beta[0] + lot[0], state[1] + self.beta[1] + lot[1]], axis=1)
        common, shifts = self._common()
        variances |= {name: variances[name] + shift for name, shift in shifts.items()}
        c11, c12, c22 = np.stack([c11, c12, c22]) + common
        covariance = np.moveaxis(np.array([[c11, c12], [c12, c22]]), 2, 0)
        fit = SharedFit(
            self.beta, self.part.fit.beta_covariance,
            {name: (self.effects[name], variances[name]) for name in classes}, between,
        )  # fmt: skip
        return AllFit(
            stratum, self.part.curve, self.terms, parameters, self.part.degrees, self.base, self.bend, self.slopes, self.sites,
            fit, fitted + self.bend, 1.0 / (1.0 / others + 1.0 / noise), (origin, covariance), prior, common, noise + gas,
        )  # fmt: skip

    def _common(self) -> tuple[FloatArray, dict[str, FloatArray]]:
        """Covariance (3, n) of level and slope that the lives of a region have in common, and what that does to its gas."""
        parameters, stratum = self.part.parameters, self.stratum
        gas = [item for item in self.base.classes if item.name in (STATED, CYLINDER)]
        gas = gas or [item for item in self.base.classes if item.name == SESSION]
        column, variance = np.full(self.base.y.size, -1, dtype=np.int64), np.zeros(0)
        for item in gas:
            column = np.where(item.index >= 0, item.index + variance.size, column)
            variance = np.append(variance, self.prior[item.name])
        beta = self.part.fit.beta_covariance[:2, :2]
        lives, columns = common_spread(
            stratum.life, column, self.base.g, variance, parameters.sensor, beta, stratum.life_id.size
        )  # fmt: skip
        cut = np.cumsum([item.size for item in gas])[:-1]
        return lives, dict(zip((item.name for item in gas), np.split(columns, cut)))

    def _prior_of_lives(self) -> FloatArray:
        """Prior covariance (3, n) of each life's level and slope, with what is not known of its kind's and lot's."""
        stratum, parameters, fit = self.stratum, self.part.parameters, self.part.fit
        found = np.repeat((_three(parameters.sensor) + _three(fit.beta_covariance[:2, :2]))[:, None], stratum.life_id.size, axis=1)
        for name, k in ((LOT_LEVEL, 0), (LOT_SLOPE, 2)):
            if name in self.effects:
                error = parameters.residual / max(float(np.median(stratum.counts)), 1.0)
                known = spread_of(
                    stratum.lot, float(_three(parameters.sensor)[k]), float(self.prior[name][0]), error, stratum.lots.size
                )
                found[k] += at_columns(known, stratum.lot)
                several = max(np.unique(stratum.lot[stratum.lot >= 0]).size, 1)
                self.lots[name] = known + self.prior[name][0] / several  # the mean of all lots is the kind's
        return found

    def _gas(
        self, classes: dict[str, Shared], order: IntArray, noise: FloatArray
    ) -> tuple[dict[str, FloatArray], FloatArray, FloatArray]:
        """Variances of the effects of each class, covariance of each cylinder's bias and fade, and variance (N,) of what gas and
        session do to each reading.
        """
        stratum = self.stratum
        session, gas = np.zeros(noise.size), np.zeros(noise.size)
        found = {name: item.variance.copy() for name, item in classes.items()}
        between = np.zeros(stratum.cylinders.size)
        for _ in range(2):  # each is told by readings that the other makes uncertain
            told = 1.0 / (noise + self.life_variance + session)
            gas = np.zeros(noise.size)
            for name in (STATED, CYLINDER):
                if name in classes:
                    found[name] = 1.0 / (1.0 / np.maximum(classes[name].variance, 1e-18) + classes[name].squares(told[order]))
                    gas[order] += classes[name].on_readings(found[name])
            if FADE in classes:
                found_now, between, gas = self._with_fade(classes, order, told)
                found |= found_now
            if SESSION in classes:
                told = 1.0 / (noise + self.life_variance + gas)
                item = classes[SESSION]
                found[SESSION] = 1.0 / (1.0 / np.maximum(item.variance, 1e-18) + item.squares(told[order]))
                session[order] = item.on_readings(found[SESSION])
        return found, between, gas + session

    def _with_fade(
        self, classes: dict[str, Shared], order: IntArray, told: FloatArray
    ) -> tuple[dict[str, FloatArray], FloatArray, FloatArray]:
        """The same where cylinders fade: bias and fade of a cylinder are told by the same readings."""
        stratum, fade = self.stratum, classes[FADE]
        used, size = stratum.cylinder, stratum.cylinders.size
        opened = np.where(used >= 0, stratum.opened, 0.0)
        first, cross, second = (np.bincount(used + 1, told * opened**k, size + 1)[1:] for k in range(3))
        stated = np.isfinite(stratum.tolerance)
        bias = np.full(size, 1e-18)
        for name, mask in ((STATED, stated), (CYLINDER, ~stated)):
            if name in classes:
                bias[mask] = classes[name].variance[: int(mask.sum())]
        one, two = first + 1.0 / np.maximum(bias, 1e-18), second + 1.0 / np.maximum(fade.variance, 1e-18)
        det = one * two - cross**2
        b, f, c = two / det, one / det, -cross / det
        found: dict[str, Any] = {FADE: f}
        for name, mask in ((STATED, stated), (CYLINDER, ~stated)):
            if name in classes:
                known = int(mask.sum())
                rest = 1.0 / (1.0 / np.maximum(classes[name].variance, 1e-18) + classes[name].squares(told[order]))
                found[name] = np.concatenate([b[mask], rest[known:]])
        gas = np.zeros(told.size)
        gas[order] = sum(classes[name].on_readings(found[name]) for name in (STATED, CYLINDER) if name in classes)
        here = used >= 0
        at = used[here]
        gas[here] = b[at] + 2.0 * opened[here] * c[at] + opened[here] ** 2 * f[at]
        return found, c, gas


def _shared(item: CrossedClass, variance: FloatArray, order: IntArray) -> Shared:
    return Shared(item.index[order], None if item.value is None else item.value[order], variance)


def _three(matrix: FloatArray) -> FloatArray:
    """A symmetric 2x2 matrix as 11, 12, 22."""
    return np.array([matrix[0, 0], matrix[0, 1], matrix[1, 1]])


def _own(fitted: AllFit) -> FloatArray:
    """Readings (N,) net of all that lives share."""
    total = fitted.sites.response - fitted.bend - fitted.base.x @ fitted.fit.beta
    for item in fitted.base.classes:
        if item.name in fitted.fit.crossed:
            part = at_columns(fitted.fit.crossed[item.name][0], item.index)
            total -= part if item.value is None else part * item.value
    return total


def _first_slopes(stratum: Stratum, curve: Curve, begin: AllFit | None) -> FloatArray | None:
    """Slopes (n,) about which a curve of own pace is made straight first, None for other curves."""
    if not curve.own_pace:
        return None
    age = np.where(stratum.counts > 0, np.nan_to_num(stratum.last_age), curve.reference)
    age = np.maximum(age, 0.1 * curve.reference)
    if begin is None:
        return np.full(age.size, float(curve.slope_of(-TYPICAL_LOSS, curve.reference)))
    return curve.slope_of(begin.curve.path(begin.origin[0][:, 1], age), age)


def _doubted(sites: Sites, terms: Terms, y: FloatArray, noise: float) -> Sites:
    if terms.doubt is None:
        return sites
    doubted = np.isfinite(terms.doubt)
    weight = np.where(doubted, noise / np.where(doubted, terms.doubt, 1.0), sites.weight)
    return replace(sites, response=np.where(doubted, y, sites.response), weight=np.maximum(weight, LEAST_WEIGHT))
