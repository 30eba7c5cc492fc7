"""From a fitted stratum to latent paths and readings: rows of fixed effects, lots and steps for every life."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sensorhealth.degradation.design import FloatArray, IntArray, Stratum
from sensorhealth.degradation.effects import (
    BREAK_IN,
    CYLINDER,
    LOT_LEVEL,
    LOT_SLOPE,
    PASSING,
    SESSION,
    STATED,
    STEP,
    bend,
    still_to_come,
)
from sensorhealth.degradation.fitting import CurveFit, class_effects
from sensorhealth.degradation.mixture import moments
from sensorhealth.degradation.posterior import Wiggling


@dataclass(frozen=True)
class Common:
    """Draws of what the shards of a fleet have in common: generators that are alike wherever seed and names are."""

    seed: int
    name: str

    def of(self, what: str) -> np.random.Generator:
        """The generator for one thing, by its name."""
        return np.random.default_rng([self.seed, *f"{self.name}/{what}".encode()])

    def part(self, number: int) -> Common:
        """The draws of one part of this."""
        return Common(self.seed, f"{self.name}/{number}")


@dataclass(frozen=True)
class Component:
    """One curve at one set of variances, with its weight in the stratum's mixture."""

    stratum: Stratum
    fitted: CurveFit
    weight: float
    share: float = 0.0  # of a doubtful last jump that is believed to stay

    @property
    def slack(self) -> int:
        """Sensors that the kernel has beyond the stratum's lives (the ballast)."""
        return self.fitted.fit.criterion.layout.sensors - self.stratum.life_id.size

    def _path(self) -> tuple[FloatArray, FloatArray, dict[str, IntArray], dict[str, IntArray]]:
        """Rows of level and slope for every life: fixed effects at mean conditions, the life's lot, its latest step."""
        n, p = self.stratum.life_id.size + self.slack, self.fitted.base.x.shape[1]
        level, slope = np.zeros((n, p)), np.zeros((n, p))
        level[:, 0] = 1.0
        if self.fitted.terms.slope:
            slope[:, 1] = 1.0
        names = {item.name for item in self.fitted.base.classes}
        rest = np.full(self.slack, -1, dtype=np.int64)
        lot = np.append(self.stratum.lot, rest)
        level_terms = {LOT_LEVEL: lot, STEP: np.append(self.stratum.last_segment, rest)}
        slope_terms = {LOT_SLOPE: lot}
        return (
            level,
            slope,
            {name: index for name, index in level_terms.items() if name in names},
            {name: index for name, index in slope_terms.items() if name in names},
        )

    @cached_property
    def origin(self) -> tuple[FloatArray, FloatArray]:
        """Posterior of (level at birth, slope per unit phi): mean (n, 2), covariance (n, 2, 2)."""
        n = self.stratum.life_id.size
        mean, covariance = self.fitted.fit.posterior(*self._path())
        return mean[:n], covariance[:n]

    def shared(
        self, lives: IntArray, rng: np.random.Generator, draws: int, common: Common | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """The same of `lives` (n,) given draws of what sensors share: mean (draws, n, 2), covariance (n, 2, 2).

        common: what other shards of the fleet share is drawn from, where there are any; not here, where all is drawn at once.
        """
        fit = self.fitted.fit
        mean, covariance = fit.posterior_given(fit.draw_shared(rng, draws), *self._path())
        return mean[:, lives], covariance[lives]

    @cached_property
    def jump(self) -> FloatArray:
        """How far each life's last reading in doubt lies off its path (n,), 0 for the others."""
        found = np.zeros(self.stratum.life_id.size)
        doubt = self.fitted.terms.doubt
        if doubt is not None:
            at = np.flatnonzero(np.isfinite(doubt))
            found[self.stratum.life[at]] = self.stratum.y[at] - self.fitted.mean[at]
        return found

    def at(
        self, index: IntArray, age: FloatArray, mean: FloatArray, covariance: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Move posteriors (..., n, 2) of lives `index` from birth to `age` (n,): (level, slope), covariance, clock."""
        curve, slope = self.fitted.curve, mean[..., 1]
        by_slope = curve.path_by_slope(slope, age)
        last = curve.path_by_slope(slope, np.nan_to_num(self.stratum.last_age[index]))
        moved = mean.copy()
        jump = self.jump[index]
        moved[..., 0] += curve.path(slope, age) + self.share * jump
        spread = covariance.copy()
        spread[..., 0, 1] = spread[..., 1, 0] = covariance[..., 0, 1] + by_slope * covariance[..., 1, 1]
        spread[..., 0, 0] += 2.0 * by_slope * covariance[..., 0, 1] + by_slope**2 * covariance[..., 1, 1]
        spread[..., 0, 0] += self.fitted.parameters.brownian * np.maximum(by_slope - last, 0.0)
        spread[..., 0, 0] += self.share * (1.0 - self.share) * jump**2
        return moved, spread, curve.clock(age)

    @cached_property
    def returning(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of the wiggle of the readings at each life's last one: mean, variance (n,), covariance (n, 2) with `origin`."""
        n = self.stratum.life_id.size
        mean, variance, with_path = self.fitted.fit.returning(*self._path())
        return mean[:n], variance[:n], with_path[:n]

    def as_read(self, index: IntArray, age: FloatArray) -> tuple[FloatArray, FloatArray]:
        """As `latent`, with what readings wiggle by about the path."""
        mean, variance = self.latent(index, age)
        wiggle = wiggling_of([self], index, age)
        if wiggle is None:
            return mean, variance
        found = wiggle.added(mean[None], variance[None], np.zeros((1, index.size)), age)
        return found[0][0], found[1][0]

    def latent(self, index: IntArray, age: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and variance (m,) of the latent path of lives `index` (m,) at any `age` (m,), in or after."""
        mean, variance = np.empty(index.size), np.empty(index.size)
        past = age < self.stratum.last_age[index]
        if past.any():
            mean[past], variance[past] = self._smoothed(index[past], age[past])
        if not past.all():
            later = index[~past]
            moved, spread, _ = self.at(later, age[~past], *(array[later] for array in self.origin))
            mean[~past], variance[~past] = moved[:, 0], spread[:, 0, 0]
        return mean, variance

    def _smoothed(self, index: IntArray, age: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The same within the history: what later readings say of it as well."""
        x = np.zeros((index.size, self.fitted.base.x.shape[1]))
        curve, slopes = self.fitted.curve, self.fitted.slopes
        phi = curve.value(age) if slopes is None else curve.path_by_slope(slopes[index], age)
        terms = self.fitted.terms
        x[:, 0] = 1.0
        if terms.slope:
            x[:, 1] = phi
        rest = still_to_come(terms.break_in, age) if terms.break_in else np.zeros(index.size)
        if terms.break_in:
            x[:, 1 + int(terms.slope)] = rest
        names = {item.name for item in self.fitted.base.classes}
        lot = self.stratum.lot[index]
        crossed: dict[str, IntArray | tuple[IntArray, FloatArray | None]] = {
            LOT_LEVEL: lot,
            LOT_SLOPE: (lot, phi),
            STEP: segment_at(self.stratum, index, age),
            BREAK_IN: (index, rest),
        }
        kept = {name: term for name, term in crossed.items() if name in names}
        mean, variance = self.fitted.fit.functional(index, x, phi, kept)
        return mean + bend(curve, slopes, index, age), variance

    @property
    def gas_variance(self) -> float:
        """Variance that a new cylinder and a new session bring to a reading."""
        crossed = self.fitted.parameters.crossed
        total = crossed.get(SESSION, 0.0)
        if CYLINDER in crossed:
            total += crossed[CYLINDER]
        elif STATED in crossed:
            total += crossed[STATED] * float(np.nanmedian(self.stratum.tolerance) ** 2 / 3.0)
        return total


def wiggling_of(components: Sequence[Component], index: IntArray, age: FloatArray) -> Wiggling | None:
    """What the readings of lives `index` (n,) wiggle by, beside posteriors at `age` (n,); None where they do not."""
    wiggles = [item.fitted.terms.wiggle for item in components]
    if not all(wiggles):
        return None
    known = [[array[index] for array in item.returning] for item in components]
    mean, variance, at_birth = (np.stack(part) for part in zip(*known))
    by_slope = np.stack([item.fitted.curve.path_by_slope(item.origin[0][index, 1], age) for item in components])
    with_path = np.stack([at_birth[..., 0] + by_slope * at_birth[..., 1], at_birth[..., 1]], axis=2)
    years = np.array([wiggle.years for wiggle in wiggles if wiggle])
    lasting = np.array([item.fitted.parameters.returning for item in components])
    return Wiggling(mean, variance, with_path, years, lasting, components[0].stratum.last_age[index])


def own_readings(item: Component) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The path of the sensor's kind and lot (N,) at each reading; what is the sensor's own in it, noise's variance with it."""
    fitted = item.fitted
    of_path = 2 if fitted.terms.slope else 1
    x, beta = fitted.base.x, fitted.fit.beta
    path = fitted.bend + x[:, :of_path] @ beta[:of_path] + class_effects(fitted, (LOT_LEVEL, LOT_SLOPE))
    visit = x[:, of_path:] @ beta[of_path:] + class_effects(fitted, PASSING)
    return path, fitted.sites.response - path - visit, fitted.parameters.residual / fitted.sites.weight


def segment_at(stratum: Stratum, index: IntArray, age: FloatArray) -> IntArray:
    """Step segment of lives `index` (m,) at `age` (m,): that of the last reading then, the present's beyond it."""
    if not stratum.segments:
        return np.full(index.size, -1, dtype=np.int64)
    width = 2.0 * max(stratum.oldest, float(np.max(age, initial=0.0))) + 1.0
    keys = stratum.life * width + stratum.age
    position = np.searchsorted(keys, index * width + age, side="right") - 1
    own = position >= stratum.offsets[index]
    found = np.where(own, stratum.segment[np.maximum(position, 0)], -1)
    beyond = own & (position == stratum.last[index])
    return np.where(beyond, stratum.last_segment[index], found)


def latent_moments(
    modes: Sequence[Component], draws: Sequence[Component], local: IntArray, age: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Mean and variance (m,) of the latent paths of lives `local` (m,) at `age` (m,).

    Within the history at the estimated variances, whose uncertainty hardly shows where readings lie on both sides; beyond it
    averaged over draws of them.
    """
    middle, spread = np.empty(local.size), np.empty(local.size)
    past = age < modes[0].stratum.last_age[local]
    for here, components in ((past, modes), (~past, draws)):
        if here.any():
            weight = np.array([item.weight for item in components])
            parts = [item.latent(local[here], age[here]) for item in components]
            middle[here], spread[here] = moments(weight, *(np.stack(part) for part in zip(*parts)))
    return middle, spread


def reading_variance(components: Sequence[Component]) -> FloatArray:
    """Variance (m,) of one reading about its path: gas, what it wiggles by and noise, tails included (three times the scale where
    it is infinite)."""
    found = []
    for item in components:
        degrees = item.fitted.degrees
        widening = degrees / (degrees - 2.0) if np.isfinite(degrees) else 1.0
        found.append(item.gas_variance + item.fitted.parameters.returning + widening * item.fitted.parameters.residual)
    return np.array(found)
