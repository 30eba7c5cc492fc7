"""Knees that no sensor of a kind has met yet: what its readings cannot exclude, they do not exclude.

A sensor with a hidden reserve (barrier and catalyst in series) loses slowly, and much faster once the reserve is used up; a
support or an electrolyte does the same. A knee that lies beyond all that the fleet has lived through leaves its readings exactly
as likely as no knee. So the shapes that were fitted are only half of what is held possible beforehand: the other half has a
knee somewhere on the way from new to the limit, as likely in any part of it, each sensor's own near that of its kind. Every
sensor that has gone through a part of the way at its steady pace speaks against knees there; once sensors have come to their
limit without one, nothing is left of it.

The way is counted in shares of ln headroom from new to the limit, so that sensors which do not age never come to a knee.
Source: derived from the barrier in series (docs/track-record.md); the even odds and the widths are a judgement.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from sensorhealth.degradation.design import FloatArray
from sensorhealth.degradation.paces import FAR_OFF, PARTS, foretold_last
from sensorhealth.degradation.posterior import PathPosterior
from sensorhealth.degradation.strata import StratumModel
from sensorhealth.technologies import technologies

PLACES = np.linspace(0.05, 0.95, 10)  # of the knee, as shares of the way
OWN = (0.04, 0.15)  # standard deviation of a sensor's knee about that of its kind: all much alike, or each its own
CENTRE, SPREAD = (grid.ravel()[:, None, None] for grid in np.meshgrid(PLACES, OWN, indexing="ij"))
RATIOS = np.array([3.0, 8.0, 20.0])  # how much faster after it
EVEN = 0.5  # odds beforehand that there is a knee on the way
FASTER = 2.0  # standard deviations by which a sensor is further on than foretold, to be no witness against knees
LEAST = 0.01  # chance of a knee below which none is reckoned with
LOGS = np.linspace(0.0, 3.0, 21)  # ln of how much sooner the end comes
SOONER = np.exp(LOGS)


@dataclass(frozen=True)
class Knees:
    """chance (k,): that sensors of this kind have their knee about each of PLACES, with each spread of OWN; the rest of 1: none.
    foretold: sensors asked."""

    chance: FloatArray
    foretold: int


def _own_place(beyond: FloatArray) -> FloatArray:
    """Law (k, n, v) of a sensor's own knee over PLACES, for each place of its kind's, given that it lies beyond the share (n,) of
    the way; what lies past the limit is left out, so that it adds up to less than 1."""
    half = 0.5 * (PLACES[1] - PLACES[0])
    low, high = np.maximum(PLACES - half, beyond[:, None]), PLACES + half
    mass = np.maximum(ndtr((high - CENTRE) / SPREAD) - ndtr((low - CENTRE) / SPREAD), 0.0)
    return np.asarray(mass / np.maximum(ndtr((CENTRE - beyond[:, None]) / SPREAD), 1e-12))


def learn_knees(model: StratumModel, limit: float) -> Knees | None:
    """Chance of knees yet to come in a fitted stratum; None where there is no reserve to use up, or hardly any chance left.

    limit: ln headroom ratio at the end.
    """
    facts = technologies().get(model.stratum.technology)
    if facts is not None and not facts.hidden_reserve:
        return None
    log_evidence, foretold = np.zeros(CENTRE.size), 0
    for part in PARTS:
        told = foretold_last(model, part)
        if told is None:
            continue
        begin, came, latent = told.begun, told.came, told.latent_variance
        noise = np.minimum(told.noise, np.median(told.noise))  # a reading far off its path is held for bad, and may be a knee
        way = np.maximum(told.birth - limit, 0.05)
        since, then, now = (told.birth - begin) / way, (told.birth - told.mean) / way, (told.birth - came) / way
        foretold = since.size
        past = (now[:, None] > PLACES)[:, :, None]  # (n, v, 1): there a knee would have been met
        without = np.where(past, PLACES[:, None] + (now[:, None, None] - PLACES[:, None]) / RATIOS, now[:, None, None])
        variance = (latent[:, None, None] + noise[:, None, None] * np.where(past, RATIOS**-2.0, 1.0)) / way[:, None, None] ** 2
        off = np.minimum((without - then[:, None, None]) ** 2 / variance, FAR_OFF)
        met = -0.5 * (off + np.log(variance)) - np.where(past, np.log(RATIOS), 0.0)
        plain = (latent + noise) / way**2
        none = -0.5 * (np.minimum((now - then) ** 2 / plain, FAR_OFF) + np.log(plain))
        ratio = np.exp(np.minimum(met - none[:, None, None], 0.0)).mean(axis=2)
        ratio[told.stepped | (now > then + FASTER * np.sqrt(plain))] = 1.0  # may have met one: no witness against knees
        own = _own_place(np.clip(since, 0.0, 1.0))
        log_evidence += np.log(1.0 - (own * (1.0 - ratio)).sum(axis=2)).sum(axis=1) / len(PARTS)
    chance = EVEN / CENTRE.size * np.exp(log_evidence)
    chance /= chance.sum() + 1.0 - EVEN
    return Knees(chance, foretold) if chance.sum() > LEAST else None


def later_knees(models: Iterable[StratumModel], limit: float) -> dict[str, Knees]:
    """As `learn_knees` for several strata, those without such knees left out."""
    found = {model.stratum.name: learn_knees(model.looked_back, limit) for model in models}
    return {name: item for name, item in found.items() if item is not None}


def sooner(knees: Knees, path: PathPosterior, age: FloatArray, limit: float) -> FloatArray:
    """Chance (n, len(LOGS)) that the end of each life comes exp(LOGS) times as soon as the path says, knees met on the way.

    age: (n,) years at which the posterior holds.
    """
    birth = path.weight @ np.stack([path.level[j] - curve.path(path.slope[j], age) for j, curve in enumerate(path.curve)])
    level = path.weight @ path.level
    gone = np.clip((birth - level) / np.maximum(birth - limit, 0.05), 0.0, 1.0)
    own = np.tensordot(knees.chance, _own_place(gone), 1)  # (n, v)
    left = np.maximum(1.0 - gone, 1e-6)[:, None]
    to_knee = np.clip(PLACES - gone[:, None], 0.0, left)
    share = (to_knee[..., None] + (left - to_knee)[..., None] / RATIOS) / left[..., None]
    log = np.clip(-np.log(share), 0.0, LOGS[-1]) / (LOGS[1] - LOGS[0])
    below = np.minimum(log.astype(int), LOGS.size - 2)
    found = np.zeros((age.size, LOGS.size))
    rows = np.broadcast_to(np.arange(age.size)[:, None, None], log.shape)
    worth = np.broadcast_to(own[..., None] / RATIOS.size, log.shape)
    np.add.at(found, (rows, below), worth * (1.0 - (log - below)))
    np.add.at(found, (rows, below + 1), worth * (log - below))
    found[:, 0] += 1.0 - own.sum(axis=1)
    return found
