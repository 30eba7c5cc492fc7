"""Knees that few or no sensors of a kind have met yet: what its readings cannot exclude, they do not exclude.

A sensor with a hidden reserve (barrier and catalyst in series) loses slowly, and much faster once the reserve is used up; a
support or an electrolyte does the same. A knee that lies beyond all that the fleet has lived through leaves its readings exactly
as likely as no knee. So the shapes that were fitted are only half of what is held possible beforehand: the other half has a
knee somewhere on the way from new to the limit, each sensor's own near that of its kind. Nothing sets its scale, so that it is as
likely in any octave of the way (Jaynes 1968, IEEE Trans. Syst. Sci. Cybern. 4:227-241; cited from memory). Every sensor that has
gone through a part of the way at its steady pace speaks against knees there, and one that went on as a knee would have made it
speaks for it.

How much is left of the even odds once places have been excluded is a matter of view: were the knee as likely anywhere, they
would fall with each place; were it only known to lie ahead, they would stay even up to the end. Sensors of one kind share what
spares them a knee, so that hundreds are not as many witnesses. The middle of the two views is taken: half of the log evidence.

The way is counted in shares of ln headroom from new to the limit, so that sensors which do not age never come to a knee.
Source: derived from the barrier in series (docs/forecasts.md); odds, widths and the middle of the two views are a judgement.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit, ndtr

from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.paces import FAR_OFF, PARTS, foretold_last
from sensorhealth.degradation.posterior import PathPosterior
from sensorhealth.degradation.strata import StratumModel
from sensorhealth.technologies import technologies

EDGES = np.geomspace(0.05, 1.0, 13)  # of the places of the knee, as shares of the way
PLACES = np.sqrt(EDGES[:-1] * EDGES[1:])
OWN = (0.1, 0.35)  # standard deviation of the ln of a sensor's place about that of its kind: all much alike, or each its own
CENTRE, SPREAD = (grid.ravel()[:, None, None] for grid in np.meshgrid(np.log(PLACES), OWN, indexing="ij"))
RATIOS = np.array([3.0, 8.0, 20.0])  # how much faster after it
EVEN = 0.5  # odds beforehand that there is a knee on the way
WORTH = 0.5  # of the log evidence against any knee
FASTER = 2.0  # standard deviations by which a sensor is further on than foretold, to be no witness against knees
FOR = 4.0  # log likelihood that one sensor may at most say for a knee
LEAST = 0.01  # chance of a knee below which none is reckoned with
AS_FORETOLD = 8  # place of no change in
LOGS = 0.15 * (np.arange(29) - AS_FORETOLD)  # ln of how much sooner the end comes; later ones are for `courses`
SOONER = np.exp(LOGS)
SOONEST, LATEST = 0.01, 400.0  # years
TINY = 1e-12


@dataclass(frozen=True)
class Knees:
    """chance (k,): that sensors of this kind have their knee about each of PLACES, with each spread of OWN; the rest of 1: none.
    foretold: sensors asked."""

    chance: FloatArray
    foretold: int


def _own_place(beyond: FloatArray) -> FloatArray:
    """Law (k, n, v) of a sensor's own knee over PLACES, for each place of its kind's, given that it lies beyond the share (n,) of
    the way; what lies past the limit is left out, so that it adds up to less than 1."""
    past = np.log(np.clip(beyond, EDGES[0], 1.0))[:, None]
    low, high = np.maximum(np.log(EDGES[:-1]), past), np.log(EDGES[1:])
    mass = np.maximum(ndtr((high - CENTRE) / SPREAD) - ndtr((low - CENTRE) / SPREAD), 0.0)
    return np.asarray(mass / np.maximum(_ahead(beyond), TINY))


def _ahead(beyond: FloatArray) -> FloatArray:
    """Chance (k, n, 1) that a sensor's own knee lies beyond the share (n,) of the way, for each place of its kind's."""
    return np.asarray(ndtr((CENTRE - np.log(np.clip(beyond, EDGES[0], 1.0))[:, None]) / SPREAD))


def may_mislead(stratum: Stratum) -> bool:
    """Whether readings may tell another course than the one to come: there is a reserve to use up, and a path to doubt."""
    facts = technologies().get(stratum.technology)
    return (facts is None or facts.hidden_reserve) and not stratum.unvalued


def learn_knees(model: StratumModel, limit: float) -> Knees | None:
    """Chance of knees yet to come in a fitted stratum; None where there is no reserve to use up, no path to doubt, or hardly any
    chance left.

    limit: ln headroom ratio at the end.
    """
    if not may_mislead(model.stratum):
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
        ratio = np.exp(np.minimum(met - none[:, None, None], FOR)).mean(axis=2)
        faster = now > then + FASTER * np.sqrt(plain)  # may have met one, if not just there: no witness against knees
        ratio[faster] = np.maximum(ratio[faster], 1.0)
        ratio[told.stepped] = 1.0
        own = _own_place(since)
        spoken = np.log(1.0 - (own * (1.0 - ratio)).sum(axis=2)).sum(axis=1)
        still = np.log(np.maximum(_ahead(since).mean(axis=(1, 2)), TINY))  # what all have left behind is none to come
        log_evidence += (spoken + still) / len(PARTS)
    place = np.exp(log_evidence - log_evidence.max())
    evidence = float(np.log(place.mean()) + log_evidence.max())
    chance = expit(logit(EVEN) + max(evidence, WORTH * evidence)) * place / place.sum()
    return Knees(chance, foretold) if chance.sum() > LEAST else None


def later_knees(models: Iterable[StratumModel], limit: float) -> dict[str, Knees]:
    """As `learn_knees` for several strata, those without such knees left out."""
    found = {model.stratum.name: learn_knees(model.looked_back, limit) for model in models}
    return {name: item for name, item in found.items() if item is not None}


def as_foretold(count: int) -> FloatArray:
    """Law (count, len(LOGS)) of lives whose ends come as their paths say."""
    found = np.zeros((count, LOGS.size))
    found[:, AS_FORETOLD] = 1.0
    return found


def sooner(knees: Knees, path: PathPosterior, age: FloatArray, limit: float) -> FloatArray:
    """Chance (n, len(LOGS)) that the end of each life comes exp(LOGS) times as soon as the path says, knees met on the way.

    age: (n,) years at which the posterior holds. After the knee the loss goes RATIOS times as fast: in shares of the way, or,
    where the curve slows down and the time ahead lies late on the way, as at the knee: what slowed the loss down is over then.
    """
    found = np.zeros((age.size, LOGS.size))
    for weight, curve, level, slope in zip(path.weight, path.curve, path.level, path.slope):
        lost = -curve.path(slope, age)
        way = np.maximum(level + lost - limit, 0.05)
        gone = np.clip(lost / way, 0.0, 1.0)
        own = weight * np.tensordot(knees.chance, _own_place(gone), 1)  # (n, v)
        share = np.minimum(_left_of_way(gone), _left_of_time(curve, slope, age, way))
        log = (np.clip(-np.log(share), 0.0, LOGS[-1]) - LOGS[0]) / (LOGS[1] - LOGS[0])
        below = np.minimum(log.astype(int), LOGS.size - 2)
        rows = np.broadcast_to(np.arange(age.size)[:, None, None], log.shape)
        worth = np.broadcast_to(own[..., None] / RATIOS.size, log.shape)
        np.add.at(found, (rows, below), worth * (1.0 - (log - below)))
        np.add.at(found, (rows, below + 1), worth * (log - below))
    found[:, AS_FORETOLD] += 1.0 - found.sum(axis=1)
    return found


def _left_of_way(gone: FloatArray) -> FloatArray:
    """Share (n, v, r) of the way ahead that counts with a knee at each of PLACES, for each of RATIOS; gone: share (n,) behind."""
    left = np.maximum(1.0 - gone, 1e-6)[:, None]
    to_knee = np.clip(PLACES - gone[:, None], 0.0, left)
    return np.asarray((to_knee[..., None] + (left - to_knee)[..., None] / RATIOS) / left[..., None])


def _left_of_time(curve: Curve, slope: FloatArray, age: FloatArray, way: FloatArray) -> FloatArray:
    """The same share of the time that a curve has ahead up to the end of the way (n,), at the pace of the knee beyond it."""
    slope, age, way = slope[:, None], age[:, None], way[:, None]
    left = np.clip(curve.age_at(-way, slope) - age, SOONEST, LATEST)
    knee = np.clip(curve.age_at(-PLACES * way, slope), age, age + left)
    pace = np.maximum(-curve.path_by_age(slope, knee), way / LATEST)
    after = np.minimum(age + left - knee, (1.0 - PLACES) * way / pace)
    return np.asarray(np.maximum((knee - age)[..., None] + after[..., None] / RATIOS, TINY) / left[..., None])
