"""Where each sensor's own knee lies beside that of its kind: earlier or later, by its own readings and by those of its kind.

A curve with a knee says that every sensor meets it after the same loss. Sensors differ, and the first ones to end are those whose
knees came early: taken for the knee of all, survivors are foretold to end too soon. So each sensor has a place of its own: it
loses factor * F(x / factor) where its kind loses F(x), with the same loss at first, and a knee so much later in time and in loss.
The ln of these factors are normal in a kind; how likely the readings of each sensor are with each of them tells their mean and
spread, and then the sensor's own (a mixing law on a grid: Laird 1978, J. Am. Stat. Assoc. 73:805-811; cited from memory). Where
sensors are alike the likelihood says so, and nothing is changed.

Before many have met their knee the readings say little of how far knees lie apart, and what is believed beforehand counts. Lives
that end by wear scatter: Weibull shapes of 2 to 5 are usual (Abernethy 2006, The New Weibull Handbook; cited from memory), which
are standard deviations of ln life of .64 to .26 (pi / sqrt(6) over the shape). That all sensors are alike is a rarity.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtr

from sensorhealth.degradation.curves.own_pace import OwnPace
from sensorhealth.degradation.design import FloatArray, IntArray
from sensorhealth.degradation.effects import GAS, LOT_LEVEL, LOT_SLOPE, at_columns, steps_found
from sensorhealth.degradation.fitting import class_effects
from sensorhealth.degradation.one_ahead import one_ahead
from sensorhealth.degradation.predicting import Component
from sensorhealth.degradation.strata import StratumModel

NEAR = np.array([0.06, 0.14, 0.25, 0.4, 0.6, 0.9, 1.3, 1.8])
SHIFTS = np.concatenate([-NEAR[::-1], [0.0], NEAR])  # ln of a sensor's factor
FACTORS = np.exp(SHIFTS)
MIDDLES = SHIFTS[2:-2]  # of the factors of a kind
SPREADS = np.array([0.03, 0.08, 0.15, 0.25, 0.4, 0.6, 0.8])
WEAR = (0.26, 0.64)  # of them, two in three beforehand (source above)
ALIKE = 0.02  # belief beforehand that all have the knee that was fitted: the readings may still say so (a judgement)
USUAL = 0.6  # standard deviation of the middle beforehand
LOGS = np.linspace(-2.0, 2.0, 41)  # ln of how much sooner the end comes
SOONER = np.exp(LOGS)
ROUNDS = 3  # times that the paths are made straight
LARGEST = 0.7  # of the typical slope: most that a slope moves at once
FAR_OFF = 12.0  # squared error, in variances, beyond which a reading tells no more
FEWEST_READINGS = 3
FEWEST_SENSORS = 10
LEAST_LEFT = 1.0 / 365.25  # years
AT_ONCE = 50_000  # readings
CERTAIN = 0.98  # chance that all are alike, from which they are taken so
PLAIN = SHIFTS.size // 2
TINY = 1e-300


class _Told(NamedTuple):
    """Of n lives at each of k factors, arrays (k, n): slope, level at birth, log likelihood of the readings."""

    slope: FloatArray
    birth: FloatArray
    log: FloatArray


@dataclass(frozen=True)
class Places:
    """Places of the knees of a fitted stratum.

    laws (h, k): laws of FACTORS; chance (h,): of each for this kind; slopes (k, n): about which paths are straight; told: what
    all readings say of each life.
    """

    item: Component
    laws: FloatArray
    chance: FloatArray
    slopes: FloatArray
    told: _Told

    @property
    def spread(self) -> float:
        """Standard deviation of the ln of the factors of the kind."""
        law = self.chance @ self.laws
        return float(np.sqrt(max(law @ SHIFTS**2 - (law @ SHIFTS) ** 2, 0.0)))

    def sooner(self, life_id: NDArray[np.object_], age: FloatArray, limit: float, *, back: bool = False) -> FloatArray:
        """Chance (m, len(LOGS)) that the end of each life comes exp(LOGS) times as soon as by the curve of its kind.

        age: (m,) years on the day on which it is asked; limit: ln headroom ratio at the end. back: as known on that day, from the
        readings up to then alone. A life that is not known ends as the curve says.
        """
        stratum = self.item.stratum
        place = pd.Index(stratum.life_id).get_indexer(pd.Index(life_id))
        found = np.zeros((place.size, LOGS.size))
        found[:, LOGS.size // 2] = place < 0
        here = np.flatnonzero(place >= 0)
        told = self.told
        if back:
            until = np.full(stratum.life_id.size, -np.inf)
            until[place[here]] = age[here]
            told = _told(self.item, stratum.age <= until[stratum.life], self.slopes)
        slope, birth, log = (array[:, place[here]] for array in told)
        own = _own(np.exp(log - log.max(axis=0)), self.laws, self.chance)
        curve = self.item.fitted.curve
        assert isinstance(curve, OwnPace)
        factor = FACTORS[:, None]
        left = np.maximum(factor * curve.age_at(np.minimum(limit - birth, 0.0) / factor, slope) - age[here], LEAST_LEFT)
        where = (np.clip(np.log(left[PLAIN] / left), LOGS[0], LOGS[-1]) - LOGS[0]) / (LOGS[1] - LOGS[0])
        below = np.minimum(where.astype(int), LOGS.size - 2)
        rows = np.broadcast_to(here, where.shape)
        np.add.at(found, (rows, below), own * (1.0 - (where - below)))
        np.add.at(found, (rows, below + 1), own * (where - below))
        return found


def learn_places(model: StratumModel) -> Places | None:
    """Places of the knees of a fitted stratum; None for curves without one, and where too few sensors tell."""
    item = max(model.modes, key=lambda mode: mode.weight)
    curve, stratum = item.fitted.curve, item.stratum
    if not (isinstance(curve, OwnPace) and curve.knee) or model.given:
        return None
    enough = stratum.counts >= FEWEST_READINGS
    if enough.sum() < FEWEST_SENSORS:
        return None
    slopes = _first_slopes(item)
    every = np.ones(stratum.y.size, dtype=bool)
    for _ in range(ROUNDS - 1):
        slopes = slopes + np.clip(_told(item, every, slopes).slope - slopes, *_most(curve))
    told = _told(item, every, slopes)
    laws, chance = _laws(told.log[:, enough])
    return Places(item, laws, chance, slopes, told) if chance[0] < CERTAIN else None


def _most(curve: OwnPace) -> tuple[float, float]:
    most = LARGEST * curve.typical_loss / curve.reference
    return -most, most


def _first_slopes(item: Component) -> FloatArray:
    """Slopes (k, n) at which each factor's path has lost by the last reading what the curve of the kind has."""
    curve, stratum = item.fitted.curve, item.stratum
    assert item.fitted.slopes is not None
    last = np.maximum(np.nan_to_num(stratum.last_age), 0.05 * curve.reference)
    factor = FACTORS[:, None]
    return curve.slope_of(curve.path(item.fitted.slopes, last) / factor, last / factor)


def _told(item: Component, kept: NDArray[np.bool_], slopes: FloatArray) -> _Told:
    """What the readings `kept` (N,), the first ones of each life, say of it at each factor; slopes: (k, n)."""
    rows = np.flatnonzero(kept)
    gas = class_effects(item.fitted, GAS)
    many = np.cumsum(np.bincount(item.stratum.life[rows], minlength=slopes.shape[1]))
    edges = np.searchsorted(many, np.arange(AT_ONCE, rows.size, AT_ONCE))
    edges = np.unique(np.concatenate([[0], edges, [slopes.shape[1]]]))
    parts = [
        _told_of(item, rows[slice(*np.searchsorted(item.stratum.life[rows], (first, last)))], gas, slopes[:, first:last], first)
        for first, last in pairwise(edges)
    ]
    return _Told(*(np.concatenate(arrays, axis=1) for arrays in zip(*parts)))


def _told_of(item: Component, rows: IntArray, gas: FloatArray, slopes: FloatArray, first: int) -> _Told:
    """The same of the lives from the number `first` on, slopes (k, m); rows: of their readings; gas (N,): its effects."""
    stratum, fitted = item.stratum, item.fitted
    curve, parameters, beta = fitted.curve, fitted.parameters, fitted.fit.beta
    k, n = slopes.shape
    life, age, lot = stratum.life[rows] - first, stratum.age[rows], stratum.lot[first : first + n]
    counts = np.bincount(life, minlength=n)
    offsets = np.concatenate([[0], np.cumsum(np.tile(counts, k))])
    crossed = fitted.fit.crossed
    level, common = (
        value + (at_columns(crossed[name][0], lot) if name in crossed else np.zeros(n))
        for value, name in zip(beta, (LOT_LEVEL, LOT_SLOPE))
    )
    visit = fitted.base.x[rows, 2:] @ beta[2:] + gas[rows]
    own, factor = slopes[:, life], FACTORS[:, None]
    path = factor * curve.path(own, age / factor)
    g = factor * curve.path_by_slope(own, age / factor)
    y = (fitted.sites.response[rows] - visit - level[life] - path - g * (common[life] - own)).ravel()
    noise, step = (np.tile(one[rows], k) for one in (parameters.residual / fitted.sites.weight, steps_found(stratum)))
    ahead = one_ahead(offsets, g.ravel(), y, noise, parameters.sensor, parameters.brownian, step)
    variance = ahead.variance + noise
    off = np.minimum((y - ahead.mean) ** 2 / variance, FAR_OFF)
    sums = np.concatenate([[0.0], np.cumsum(-0.5 * (off + np.log(variance)))])
    slope = common + ahead.state[1].reshape(k, n)
    last = np.full(n, 0.0)
    np.maximum.at(last, life, age)
    on_line = curve.path(slopes, last / factor) + curve.path_by_slope(slopes, last / factor) * (slope - slopes)
    bent = factor * (on_line - curve.path(slope, last / factor))
    birth = level + (ahead.state[0] + ahead.state[2]).reshape(k, n) + bent
    return _Told(slope, birth, np.diff(sums[offsets]).reshape(k, n))


def _laws(log: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Laws (h, k) of the factors of a kind, the first of them that all are alike, and the chance (h,) of each given the log
    likelihoods (k, n) of its lives."""
    middle, spread = (grid.ravel() for grid in np.meshgrid(MIDDLES, SPREADS, indexing="ij"))
    edges = np.concatenate([[-np.inf], 0.5 * (SHIFTS[1:] + SHIFTS[:-1]), [np.inf]])
    laws = np.diff(ndtr((edges - middle[:, None]) / spread[:, None]), axis=1)
    laws = np.vstack([np.eye(SHIFTS.size)[PLAIN], laws])
    low, high = np.log(WEAR)
    usual = np.exp(-0.5 * ((np.log(SPREADS) - 0.5 * (low + high)) / (0.5 * (high - low))) ** 2) * np.gradient(np.log(SPREADS))
    belief = (np.outer(np.gradient(MIDDLES), usual)).ravel() * np.exp(-0.5 * (middle / USUAL) ** 2)
    prior = np.append(ALIKE, (1.0 - ALIKE) * belief / belief.sum())
    score = np.log(np.maximum(laws @ np.exp(log - log.max(axis=0)), TINY)).sum(axis=1) + np.log(prior)
    chance = np.exp(score - score.max())
    return laws, chance / chance.sum()


def _own(likelihood: FloatArray, laws: FloatArray, chance: FloatArray) -> FloatArray:
    """Law (k, n) of the factor of each life, its likelihoods (k, n) given."""
    own = likelihood * (laws.T @ (chance[:, None] / np.maximum(laws @ likelihood, TINY)))
    return own / own.sum(axis=0)


def places_of(models: Iterable[StratumModel]) -> dict[str, Places]:
    """As `learn_places` for several strata, those without left out."""
    found = {model.stratum.name: learn_places(model.looked_back) for model in models}
    return {name: item for name, item in found.items() if item is not None}
