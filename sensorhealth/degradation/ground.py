"""A stratum on one curve laid out for the kernel: where each reading goes, and what stands in for it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.curves.own_pace import TYPICAL_LOSS
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import LOT_SLOPE, Terms, Wiggle, at_columns, bend, crossed_data
from sensorhealth.degradation.reml_data import CrossedClass, CrossedData, Returning
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.degradation.robust import LEAST_WEIGHT, Sites, ballast

LIMIT = 0.5  # of a slope or of the typical one: largest move at once


@dataclass(frozen=True)
class Ground:
    """A stratum on one curve as the kernel has it; `base` is what it is at face value.

    slopes: (n,) about which the paths of a curve of own pace were made straight, None for other curves; bend (N,): how far
    they lie off the straight line at the readings, and what is held of their gas beforehand. The layout has further sensors
    of one reading each at the end. A prior on the mean path brings one reading of the level and one of the slope; the last
    one is the ballast.
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

    def moved(self, curve: Curve, terms: Terms, slopes: FloatArray | None) -> Ground:
        """The same readings on another curve or about other slopes; terms: the same but for the readings in doubt."""
        g = times(self.stratum, curve, slopes)
        more = len(self.layout.data.y) - len(g)
        base = at_times(self.base, g, g)
        data = at_times(self.layout.data, np.append(g, np.zeros(more)), np.append(g, self.layout.data.x[len(g) :, 1]))
        bent = bend(curve, slopes, self.stratum.life, self.stratum.age) + self.stratum.gas_mean
        return Ground(self.stratum, curve, terms, base, slopes, bent, self.layout.with_times(data))

    def suits(self, stratum: Stratum, terms: Terms) -> bool:
        """Whether this is the ground of these readings with these terms, but for the readings in doubt."""
        return self.stratum is stratum and replace(self.terms, doubt=None) == replace(terms, doubt=None)

    def with_wiggle(self, wiggle: Wiggle) -> Ground:
        """The same readings wiggling about their paths."""
        returning = wiggle.returning(self.stratum)
        more = len(self.layout.data.y) - self.stratum.age.size
        base, layout = replace(self.base, returning=returning), self.layout.with_returning(_longer_still(returning, more))
        return replace(self, terms=replace(self.terms, wiggle=wiggle), base=base, layout=layout)

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


def lay_ground(stratum: Stratum, curve: Curve, terms: Terms, slopes: FloatArray | None) -> Ground:
    """Sort out the readings of a stratum for one curve."""
    base = crossed_data(stratum, curve, terms, slopes)
    bent = bend(curve, slopes, stratum.life, stratum.age) + stratum.gas_mean
    one = np.eye(base.x.shape[1])
    rows = [] if terms.prior is None else [one[1], one[0]] if terms.slope else [one[0]]
    rows.append(np.zeros(len(one)))
    more = len(rows)
    data = replace(
        base,
        y=np.append(base.y - bent, np.zeros(more)),
        x=np.vstack([base.x, *rows]),
        offsets=np.append(base.offsets, base.offsets[-1] + 1 + np.arange(more)),
        g=np.append(base.g, np.zeros(more)),
        classes=tuple(_longer(item, more) for item in base.classes),
        returning=None if base.returning is None else _longer_still(base.returning, more),
    )
    return Ground(stratum, curve, terms, base, slopes, bent, reml.lay_out(data))


def _longer(item: CrossedClass, more: int) -> CrossedClass:
    """A class on `more` further readings that it does not touch."""
    value = None if item.value is None else np.append(item.value, np.zeros(more))
    return replace(item, index=np.append(item.index, np.full(more, -1)), value=value)


def _longer_still(item: Returning, more: int) -> Returning:
    """A wander that comes back with further readings that nothing is left at."""
    return replace(item, keep=np.append(item.keep, np.zeros(more)))


def times(stratum: Stratum, curve: Curve, slopes: FloatArray | None) -> FloatArray:
    """Time scale (N,) of the readings: the curve's own, or by how much paths of own pace change with their slopes."""
    return curve.value(stratum.age) if slopes is None else curve.path_by_slope(slopes[stratum.life], stratum.age)


def at_times(data: CrossedData, g: FloatArray, slope: FloatArray) -> CrossedData:
    """The arrays at another time scale g (N,); slope (N,): the second fixed effect, the mean slope."""
    x = data.x.copy()
    x[:, 1] = slope
    classes = tuple(replace(item, value=g) if item.name == LOT_SLOPE else item for item in data.classes)
    return replace(data, x=x, g=g, classes=classes)


def first_slopes(stratum: Stratum, curve: Curve, start: tuple[Curve, reml.CrossedFit] | None) -> FloatArray | None:
    """As `slopes_losing_alike`, from a curve and its fit."""
    before = (start[0], life_slopes(stratum, start[1])) if start is not None and curve.own_pace else None
    return slopes_losing_alike(stratum, curve, before)


def slopes_losing_alike(stratum: Stratum, curve: Curve, before: tuple[Curve, FloatArray] | None) -> FloatArray | None:
    """Slopes (n,) about which to make a curve of own pace straight first: those that lose as much as the paths known `before` (a
    curve and its slopes (n,)); None for other curves."""
    if not curve.own_pace:
        return None
    age = np.where(stratum.counts > 0, np.nan_to_num(stratum.last_age), curve.reference)
    age = np.maximum(age, 0.1 * curve.reference)
    if before is None:
        return np.full(age.size, float(curve.slope_of(-TYPICAL_LOSS, curve.reference)))
    return curve.slope_of(before[0].path(before[1], age), age)


def nearer(curve: Curve, slopes: FloatArray, found: FloatArray) -> FloatArray:
    """Slopes (n,) on the way from `slopes` to those `found`, no further than paths of own pace are nearly straight."""
    typical = abs(float(curve.slope_of(-TYPICAL_LOSS, curve.reference)))
    most = LIMIT * np.maximum(np.abs(slopes), typical)
    return slopes + np.clip(found - slopes, -most, most)


def life_slopes(stratum: Stratum, fit: reml.CrossedFit) -> FloatArray:
    """Slope (n,) of each life: common, its lot's and its own."""
    n = stratum.life_id.size
    slope = fit.beta[1] + fit.slopes[:n]
    if any(item.name == LOT_SLOPE for item in fit.criterion.layout.data.classes):
        slope = slope + at_columns(fit.crossed_mean(LOT_SLOPE), stratum.lot)
    return slope
