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

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.degradation.curves.own_pace import OwnPace
from sensorhealth.degradation.design import FloatArray
from sensorhealth.degradation.own_knees import FACTORS, Shape, Told, by_shape, shapes_of, told_by, told_by_all
from sensorhealth.degradation.own_laws import PLAIN, WORTHS, evidence, own_law, spread_of
from sensorhealth.degradation.paces import FEWEST_READINGS as FEWEST_FORETOLD
from sensorhealth.degradation.paces import PARTS, beginnings
from sensorhealth.degradation.predicting import Component, own_readings
from sensorhealth.degradation.strata import StratumModel

LOGS = np.linspace(-2.0, 2.0, 41)  # ln of how much sooner the end comes
SOONER = np.exp(LOGS)
FEWEST_READINGS = 3
FEWEST_SENSORS = 10
LEAST_LEFT = 1.0 / 365.25  # years
CERTAIN = 0.98  # chance that all are alike, from which they are taken so
UNFORESEEN = 25.0  # squared error, in variances, beyond which a last reading tells no more


@dataclass(frozen=True)
class Places:
    """Places of the knees of a fitted stratum.

    shapes: of the knees; chance (w, h): of each law of `own_laws` for this kind, were a reading worth as much as each of WORTHS
    says; weight (w,): of these; slopes (k, n): about which paths are straight; told: what all readings say of each life.
    """

    item: Component
    shapes: tuple[Shape, ...]
    chance: FloatArray
    weight: FloatArray
    slopes: FloatArray
    told: Told

    @property
    def spread(self) -> float:
        """Standard deviation of the ln of the factors of the kind."""
        return spread_of(self.weight @ self.chance)

    def law(self, told: Told) -> FloatArray:
        """Law (k, n) of the factors of lives of which this is told."""
        laws = own_law(told.log, len(self.shapes), self.chance)
        return np.tensordot(self.weight, laws, 1)

    def sooner(
        self, life_id: NDArray[np.object_], age: FloatArray, limit: float | FloatArray, *, back: bool = False
    ) -> FloatArray:
        """Chance (m, len(LOGS)) that the end of each life comes exp(LOGS) times as soon as by the curve of its kind.

        age: (m,) years on the day on which it is asked; limit: ln headroom ratio at the end, one or (m,). back: as known on that
        day, from the readings up to then alone. A life that is not known ends as the curve says.
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
            told = told_by(self.item, self.shapes, stratum.age <= until[stratum.life], self.slopes)
        told = Told(*(array[:, place[here]] for array in told))
        own, (slope, birth, _, _) = self.law(told), told
        change, factor = by_shape(np.minimum(np.broadcast_to(limit, age.shape)[here] - birth, 0.0)), FACTORS[:, None]
        ends = [
            factor * shape.age_at(*two) for shape, *two in zip(self.shapes, [item / factor for item in change], by_shape(slope))
        ]
        left = np.maximum(np.concatenate(ends) - age[here], LEAST_LEFT)
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
    shapes = shapes_of(curve)
    slopes, told = told_by_all(item, shapes)
    chance = evidence(told.log[:, enough], len(shapes))
    weight = _weight(model, item, shapes, slopes, chance)
    return Places(item, shapes, chance, weight, slopes, told) if weight @ chance[:, 0] < CERTAIN else None


def _weight(
    model: StratumModel, item: Component, shapes: tuple[Shape, ...], slopes: FloatArray, chance: FloatArray
) -> FloatArray:
    """Weight (w,) of each of WORTHS: how likely it makes the last readings, foretold from the first parts of the readings.

    Were the shapes true every reading would count in full. Real paths err about them together, and hundreds of readings of one
    sensor then seem to tell to a hair of a knee of which they tell little.
    """
    stratum, factor = model.stratum, FACTORS[:, None]
    asked = stratum.counts >= FEWEST_FORETOLD
    if not asked.any():
        return np.eye(WORTHS.size)[0]
    path, own, noise = own_readings(item)
    last, age = stratum.last[asked], stratum.last_age[asked]
    came = path[last] + own[last]
    score = np.zeros(WORTHS.size)
    for part in PARTS:
        told = told_by(item, shapes, beginnings(stratum, part) & asked[stratum.life], slopes)
        slope, birth, log, latent = (array[:, asked] for array in told)
        ways = [factor * shape.path(one, age / factor) for shape, one in zip(shapes, by_shape(slope))]
        variance = latent + noise[last] + item.fitted.parameters.returning
        off = np.minimum((came - birth - np.concatenate(ways)) ** 2 / variance, UNFORESEEN)
        density = np.exp(-0.5 * off) / np.sqrt(variance)
        score += np.log((own_law(log, len(shapes), chance) * density).sum(axis=1)).sum(axis=1) / len(PARTS)
    weight = np.exp(score - score.max())
    return np.asarray(weight / weight.sum())


def places_of(models: Iterable[StratumModel]) -> dict[str, Places]:
    """As `learn_places` for several strata, those without left out."""
    found = {model.stratum.name: learn_places(model.looked_back) for model in models}
    return {name: item for name, item in found.items() if item is not None}
