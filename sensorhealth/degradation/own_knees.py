"""What the readings of each sensor say of a knee of its own: earlier or later than that of its kind, sharper or gentler.

A sensor loses factor * F(x / factor) where its kind loses F(x), with the same loss at first, and a knee so much later in time and
in loss; F is the curve of the kind, or one whose knee is sharper or gentler at the same place. Readings before a knee that is
sharper than the kind's show nothing of it yet: were all knees taken to be as sharp, it would be taken for a late one.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple, cast

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation.curves.own_pace import OwnPace
from sensorhealth.degradation.design import FloatArray, IntArray
from sensorhealth.degradation.effects import LOT_LEVEL, LOT_SLOPE, PASSING, at_columns, steps_found
from sensorhealth.degradation.fitting import class_effects
from sensorhealth.degradation.one_ahead import one_ahead
from sensorhealth.degradation.predicting import Component

NEAR = np.array([0.06, 0.14, 0.25, 0.4, 0.6, 0.9, 1.3, 1.8])
SHIFTS = np.concatenate([-NEAR[::-1], [0.0], NEAR])  # ln of a sensor's factor
FACTORS = np.exp(SHIFTS)
SHARPER = (1.0, 0.45, 2.2)  # how much sharper a sensor's own knee may be than that of its kind
ROUNDS = 3  # times that the paths are made straight
LARGEST = 0.7  # of the typical slope: most that a slope moves at once
FAR_OFF = 12.0  # squared error, in variances, beyond which a reading tells no more
AT_ONCE = 50_000  # readings


class Shape(NamedTuple):
    """The curve of a kind, or one with a sharper or gentler knee and the same loss at first; unit: of slopes of the kind's curve
    in those of this one."""

    curve: OwnPace
    unit: float

    def path(self, slope: FloatArray, age: FloatArray) -> FloatArray:
        return self.curve.path(self.unit * slope, age)

    def by_slope(self, slope: FloatArray, age: FloatArray) -> FloatArray:
        return self.unit * self.curve.path_by_slope(self.unit * slope, age)

    def slope_of(self, change: FloatArray, age: FloatArray) -> FloatArray:
        return self.curve.slope_of(change, age) / self.unit

    def age_at(self, change: FloatArray, slope: FloatArray) -> FloatArray:
        return self.curve.age_at(change, self.unit * slope)


class Told(NamedTuple):
    """Of n lives at each of k factors, shape after shape, arrays (k, n): slope, level at birth, log likelihood of readings, and
    variance of the path at the life's last reading on record, whether or not it was among these."""

    slope: FloatArray
    birth: FloatArray
    log: FloatArray
    variance: FloatArray


def shapes_of(curve: OwnPace) -> tuple[Shape, ...]:
    """The curve of a kind first, then the gentler and the sharper one, where it has such."""
    at_first = float(curve.path_by_slope(0.0, 1.0))
    others = [curve.sharper(times) for times in SHARPER]
    return tuple(Shape(item, at_first / float(item.path_by_slope(0.0, 1.0))) for item in dict.fromkeys(others))


def by_shape(array: FloatArray) -> list[FloatArray]:
    """Rows (k, ...) as those of each shape."""
    return np.split(array, len(array) // FACTORS.size)


def told_by_all(item: Component, shapes: tuple[Shape, ...]) -> tuple[FloatArray, Told]:
    """What all readings say, and the slopes (k, n) about which the paths are straight."""
    slopes = _first_slopes(item, shapes)
    every = np.ones(item.stratum.y.size, dtype=bool)
    most = LARGEST * cast(OwnPace, item.fitted.curve).typical_loss / item.fitted.curve.reference
    for _ in range(ROUNDS - 1):
        slopes = slopes + np.clip(told_by(item, shapes, every, slopes).slope - slopes, -most, most)
    return slopes, told_by(item, shapes, every, slopes)


def _first_slopes(item: Component, shapes: tuple[Shape, ...]) -> FloatArray:
    """Slopes (k, n) at which each factor's path has lost by the last reading what the curve of the kind has."""
    curve, stratum = item.fitted.curve, item.stratum
    assert item.fitted.slopes is not None
    last = np.maximum(np.nan_to_num(stratum.last_age), 0.05 * curve.reference)
    factor = FACTORS[:, None]
    change = curve.path(item.fitted.slopes, last) / factor
    return np.concatenate([shape.slope_of(change, last / factor) for shape in shapes])


def told_by(item: Component, shapes: tuple[Shape, ...], kept: NDArray[np.bool_], slopes: FloatArray) -> Told:
    """What the readings `kept` (N,), the first ones of each life, say of it at each factor; slopes: (k, n)."""
    rows = np.flatnonzero(kept)
    passing = class_effects(item.fitted, PASSING)
    many = np.cumsum(np.bincount(item.stratum.life[rows], minlength=slopes.shape[1]))
    edges = np.searchsorted(many, np.arange(AT_ONCE, rows.size, AT_ONCE))
    edges = np.unique(np.concatenate([[0], edges, [slopes.shape[1]]]))
    found = []
    for shape, own in zip(shapes, by_shape(slopes)):
        parts = [
            _told_of(
                item, shape, rows[slice(*np.searchsorted(item.stratum.life[rows], run))], passing, own[:, slice(*run)], run[0]
            )
            for run in pairwise(edges)
        ]
        found.append([np.concatenate(arrays, axis=1) for arrays in zip(*parts)])
    return Told(*(np.concatenate(arrays) for arrays in zip(*found)))


def _told_of(item: Component, shape: Shape, rows: IntArray, passing: FloatArray, slopes: FloatArray, first: int) -> Told:
    """The same of the lives from the number `first` on, slopes (k, m); rows: of their readings; passing (N,): what
    does not last."""
    stratum, fitted = item.stratum, item.fitted
    parameters, beta = fitted.parameters, fitted.fit.beta
    k, n = slopes.shape
    life, age, lot = stratum.life[rows] - first, stratum.age[rows], stratum.lot[first : first + n]
    counts = np.bincount(life, minlength=n)
    offsets = np.concatenate([[0], np.cumsum(np.tile(counts, k))])
    crossed = fitted.fit.crossed
    level, common = (
        value + (at_columns(crossed[name][0], lot) if name in crossed else np.zeros(n))
        for value, name in zip(beta, (LOT_LEVEL, LOT_SLOPE))
    )
    visit = fitted.base.x[rows, 2:] @ beta[2:] + passing[rows]
    own, factor = slopes[:, life], FACTORS[:, None]
    path = factor * shape.path(own, age / factor)
    g = factor * shape.by_slope(own, age / factor)
    y = (fitted.sites.response[rows] - visit - level[life] - path - g * (common[life] - own)).ravel()
    noise, step = (np.tile(one[rows], k) for one in (parameters.residual / fitted.sites.weight, steps_found(stratum)))
    keep = None if fitted.base.keep is None else np.tile(fitted.base.keep[rows], k)
    ahead = one_ahead(offsets, g.ravel(), y, noise, parameters.sensor, parameters.brownian, step, keep, parameters.returning)
    variance = ahead.variance + noise
    off = np.minimum((y - ahead.mean) ** 2 / variance, FAR_OFF)
    sums = np.concatenate([[0.0], np.cumsum(-0.5 * (off + np.log(variance)))])
    slope = common + ahead.state[1].reshape(k, n)
    last = np.full(n, 0.0)
    np.maximum.at(last, life, age)
    on_line = shape.path(slopes, last / factor) + shape.by_slope(slopes, last / factor) * (slope - slopes)
    bent = factor * (on_line - shape.path(slope, last / factor))
    birth = level + (ahead.state[0] + ahead.state[2]).reshape(k, n) + bent
    then, end = (
        factor * shape.by_slope(slopes, age / factor) for age in (last, np.nan_to_num(stratum.last_age[first : first + n]))
    )
    row = np.stack([np.ones(k * n), end.ravel(), np.ones(k * n)])
    spread = np.einsum("in,ijn,jn->n", row, ahead.spread, row).reshape(k, n)
    log = np.diff(sums[offsets]).reshape(k, n)
    return Told(slope, birth, log, spread + parameters.brownian * np.maximum(end - then, 0.0))
