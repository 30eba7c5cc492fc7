"""The law of the next reading, learnt from how well each earlier one was foretold.

The ageing model says what is likely if its noise, wander and variances are what it takes them for. Real records know more
kinds of surprise: noise that differs between sensors, changes with heavy tails, paths that are best foretold by their last
values, a weak cylinder that stays in use. So every reading is foretold from those of its sensor before it (`one_ahead`), by
the model as it stands, by the model with its spread scaled, and by the last readings alone (`recent`), each on new gas and on
the cylinder that the sensor met last; the shares of these are those under which what came is likeliest (stacking of
distributions: Yao, Vehtari, Simpson and Gelman 2018, Bayesian Analysis 13:917-1007), with a prior worth a few readings. Only
readings that the model was fitted on are looked at: nothing of the future enters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import logsumexp

from sensorhealth.degradation.design import FloatArray, IntArray, ObjectArray, Stratum
from sensorhealth.degradation.effects import (
    CYLINDER,
    FADE,
    SESSION,
    STATED,
    steps_found,
)
from sensorhealth.degradation.fitting import class_effects
from sensorhealth.degradation.mixture import moments, with_steps, with_tails
from sensorhealth.degradation.one_ahead import one_ahead
from sensorhealth.degradation.posterior import PathPosterior
from sensorhealth.degradation.predicting import Component, own_readings
from sensorhealth.degradation.recent import NO_CHANGE, WAYS, Change, recent, usual_change
from sensorhealth.degradation.strata import StratumModel

SCALES = np.array([0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 16.0, 32.0, 64.0])  # of a standard deviation
PRIOR_OWN, PRIOR_SCALED, PRIOR_LAST = 3.0, 2.0, 5.0  # readings' worth of belief in each kind of foretelling
LEAST_SHARE = 1e-3  # of a part of the law that is kept
FEWEST = 5  # readings foretold, below which the model's own law stands
MOST_READINGS = 5000  # looked at: more would not move the shares
ROUNDS = 200
TINY = 1e-24  # variance that even a path known exactly is given

CYLINDERS = (STATED, CYLINDER, FADE)

Mixture = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(frozen=True)
class Beforehand:
    """What is known of r readings before they are taken.

    latent: weight (m,), mean and variance (m, r) of the latent path. gas, noise (scale^2), degrees (m,): of a reading.
    value (WAYS, r): what the sensor's last readings say, net of their gas, NaN for none; met (r,): effect of the cylinder that
    the last one was taken on; years (r,): time since.
    """

    latent: Mixture
    gas: FloatArray
    noise: FloatArray
    degrees: FloatArray
    value: FloatArray
    met: FloatArray
    years: FloatArray


@dataclass(frozen=True)
class ReadingLaw:
    """How the next reading of a stratum's lives is foretold.

    shares (1 + (2 + 2 * WAYS) * len(SCALES),): of the model as it stands, then, with standard deviations times SCALES, of the
    model on new gas, the model on the cylinder met last, and each way of `recent` on new gas and on the cylinder met last.
    change (WAYS): variance about what the last readings say; session: of a session's effect. reach: years within which
    readings have followed one another; beyond it what rests on the last reading gives its share to the model. foretold:
    readings it was learnt from. step_rate, step_size: steps per year and their standard deviation. life_id (n,), value (WAYS,
    n), met, age (n,): what the last readings of each life say (NaN for none), effect of the last one's cylinder and the age
    then.
    """

    shares: FloatArray
    change: tuple[Change, ...]
    session: float
    reach: float
    foretold: int
    step_rate: float
    step_size: float
    life_id: ObjectArray
    value: FloatArray
    met: FloatArray
    age: FloatArray

    def reading(
        self,
        life_id: ObjectArray,
        age: FloatArray,
        latent: Mixture,
        gas: FloatArray,
        noise: FloatArray,
        degrees: FloatArray,
    ) -> Mixture:
        """Mixture of normals (weight, mean, variance) of the readings at `age` (r,) of the lives `life_id` (r,).

        latent: weight (m,), mean and variance (m, r) of the latent path; gas, noise (scale^2), degrees (m,): of a reading.
        """
        place = pd.Index(self.life_id).get_indexer(pd.Index(life_id))
        known = place >= 0
        value, met = np.where(known, self.value[:, place], np.nan), np.where(known, self.met[place], 0.0)
        years = np.maximum(np.where(known, age - np.nan_to_num(self.age[place]), age), 0.0)
        parts = _parts(Beforehand(latent, gas, noise, degrees, value, met, years), self)
        shares = self._shares(np.isfinite(value[0]), years)
        kept = np.flatnonzero(shares.max(axis=1, initial=0.0) > LEAST_SHARE)
        total = shares[kept].sum(axis=0)
        return (
            np.concatenate([shares[k] / total * np.broadcast_to(parts[k][0], parts[k][1].shape) for k in kept]),
            np.concatenate([parts[k][1] for k in kept]),
            np.concatenate([parts[k][2] for k in kept]),
        )

    def _shares(self, has_last: NDArray[np.bool_], years: FloatArray) -> FloatArray:
        """Share (k, r) of each part for each reading: without a last one, or long after it, the model on new gas speaks."""
        stays = np.where(has_last, np.minimum(1.0, self.reach / np.maximum(years, 1e-9)), 0.0)
        model = np.arange(self.shares.size) <= SCALES.size
        of_model = float(self.shares[model].sum())
        return np.where(
            model[:, None],
            self.shares[:, None] * (1.0 + (1.0 - of_model) * (1.0 - stays) / of_model),
            self.shares[:, None] * stays,
        )


NO_LAWS: Mapping[str, ReadingLaw] = MappingProxyType({})


def _parts(item: Beforehand, law: ReadingLaw) -> list[Mixture]:
    """The parts of the law, in the order of its shares; what gas and session bring is never scaled."""
    weight, mean, variance = item.latent
    one, gas = np.ones((1, 1)), item.gas[:, None]
    usual = variance + item.noise[:, None]
    centre, about = moments(weight, mean, usual)
    known = np.isfinite(item.value)
    centres = np.where(known, item.value, centre)
    around = np.where(known, np.stack([change(item.years) for change in law.change]), about)
    squares = SCALES**2
    scaled = [
        *((weight[:, None], mean, square * usual + gas) for square in squares),
        *((weight[:, None], mean + item.met, square * usual + law.session) for square in squares),
    ]
    for centre, about in zip(centres, around):
        scaled += [(one, centre[None], square * about[None] + weight @ item.gas) for square in squares]
        scaled += [(one, (centre + item.met)[None], square * about[None] + law.session) for square in squares]
    variance, noise, degrees = variance + gas, item.noise, item.degrees
    if law.step_rate > 0.0:
        chance = -np.expm1(-law.step_rate * item.years)
        weight, mean, variance = with_steps(weight, mean, variance, chance, law.step_size)
        noise, degrees = np.tile(noise, 2), np.tile(degrees, 2)
    return [with_tails(weight, mean, variance, noise, degrees), *scaled]


def reading_of(path: PathPosterior, age: FloatArray, law: ReadingLaw | None = None) -> Mixture:
    """Mixture of normals of the reading of each of a posterior's lives at `age` (n,), with a new cylinder and session.

    law: how the stratum's next readings are foretold; None for the posterior and its noise alone.
    """
    mean, variance = path.as_read(age)
    if law is None:
        total = np.maximum(variance + path.gas_variance[:, None], TINY)
        return with_tails(path.weight, mean, total, path.residual_variance, path.degrees)
    terms = path.gas_variance, path.residual_variance, path.degrees
    return law.reading(path.life_id, age, (path.weight, mean, np.maximum(variance, TINY)), *terms)


def learn_law(model: StratumModel, known: ReadingLaw | None = None) -> ReadingLaw:
    """The law of a fitted stratum's next readings, from how its earlier ones were foretold; known: the law of its kind."""
    stratum, modes = model.stratum, model.modes
    weight = np.array([item.weight for item in modes])
    cylinder, session = (
        weight @ np.stack([class_effects(item.fitted, names) for item in modes]) for names in (CYLINDERS, (SESSION,))
    )
    net, last = stratum.y - cylinder - session, stratum.last
    said = recent(stratum, net)
    value = np.full((WAYS, last.size), np.nan)
    if net.size:
        value = np.where((last >= 0) & (stratum.censoring[last] == 0), said[:, last], np.nan)
    met = np.where(last >= 0, cylinder[last], 0.0) if net.size else np.zeros(last.size)
    sessions = float(weight @ np.array([item.fitted.parameters.crossed.get(SESSION, 0.0) for item in modes]))
    law = ReadingLaw(
        np.append(1.0, np.zeros((2 + 2 * WAYS) * SCALES.size)), NO_CHANGE, sessions, 0.0, 0, model.surprises.rate,
        model.surprises.size, stratum.life_id, value, met, stratum.last_age,
    )  # fmt: skip
    if known is not None or model.part is not None:
        known = known or learn_law(cast(StratumModel, model.part))
        return replace(known, life_id=stratum.life_id, value=value, met=met, age=stratum.last_age)
    told = _foretold(stratum)
    if model.given or told.size < FEWEST:
        return law
    years = stratum.age[told] - stratum.age[told - 1]
    change = tuple(usual_change(years, (net[told] - one[told - 1]) ** 2) for one in said)
    law = replace(law, change=change, reach=float(years.max()), foretold=int(told.size))
    paths = [_expected(stratum, item) for item in modes]
    mean, variance = (np.stack([path[k][told] for path in paths]) for k in (0, 1))
    before = told - 1
    item = Beforehand((weight, mean, variance), *reading_terms(modes), said[:, before], cylinder[before], years)
    density = np.stack([_log_density(part, stratum.y[told]) for part in _parts(item, law)])
    return replace(law, shares=_stacked(density, bool((stratum.cylinder >= 0).any())))


def reading_terms(components: Sequence[Component]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Variance of the gas, scale^2 and degrees of freedom of the noise of one reading, (m,) each."""
    gas = np.array([item.gas_variance for item in components])
    noise = np.array([item.fitted.parameters.residual for item in components])
    return gas, noise, np.array([item.fitted.degrees for item in components])


def _foretold(stratum: Stratum) -> IntArray:
    """Positions of the readings that follow another of their life, neither at a limit; of some lives where they are many."""
    seen = stratum.censoring == 0
    follows = np.flatnonzero(seen[1:] & seen[:-1] & (np.diff(stratum.life) == 0)) + 1
    every = -(-follows.size // MOST_READINGS)
    return follows if every < 2 else follows[stratum.life[follows] % every == 0]


def _expected(stratum: Stratum, item: Component) -> tuple[FloatArray, FloatArray]:
    """Mean and variance (N,) of the latent path at each reading, given the earlier ones of its life and the rest of the fit.

    Gas, session and conditions of the reading itself are not known beforehand, as they are not for the next one.
    """
    path, own, noise = own_readings(item)
    parameters = item.fitted.parameters
    ahead = one_ahead(
        stratum.offsets, item.fitted.base.g, own, noise, parameters.sensor, parameters.brownian, steps_found(stratum),
        item.fitted.base.keep, parameters.returning,
    )  # fmt: skip
    return path + ahead.mean, ahead.variance


def _log_density(part: Mixture, y: FloatArray) -> FloatArray:
    """Log density (r,) of a mixture at y (r,)."""
    weight, mean, variance = part
    terms = -0.5 * (np.log(2.0 * np.pi * variance) + (y - mean) ** 2 / variance)
    return np.asarray(logsumexp(terms, axis=0, b=np.broadcast_to(weight.reshape(len(weight), -1), terms.shape)))


def _stacked(log_density: FloatArray, several_gases: bool) -> FloatArray:
    """Shares (k,) of the parts under which what came is likeliest, the prior counted; log_density (k, r).

    several_gases: whether cylinders are on record, so that new gas and the cylinder met last are two things.
    """
    of_gas = np.array([0.5, 0.5]) if several_gases else np.array([1.0, 0.0])
    worth = np.concatenate([PRIOR_SCALED * of_gas, *[PRIOR_LAST / WAYS * of_gas] * WAYS]) / SCALES.size
    prior = np.concatenate([[PRIOR_OWN], np.repeat(worth, SCALES.size)])
    density = np.exp(log_density - log_density.max(axis=0))
    share = prior / prior.sum()
    for _ in range(ROUNDS):
        share = share * (density @ (1.0 / (share @ density))) + prior
        share /= share.sum()
    return share
