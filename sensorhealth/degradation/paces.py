"""How far paths leave the course that was foretold of them long before, learnt from the past of the fleet itself.

Many precise readings tell a sensor's slope so well that a forecast a life ahead seems certain; but what it is certain of is the
shape, and real paths have shapes of their own: knees, rests, spells of heavy use. So every sensor is foretold from the first
part of its readings (`one_ahead`), and how much faster or slower than foretold it went on gives a law of paces: factors on
the time ahead, as likely up as down. Where paths keep to the model's course the factors stay at one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.degradation.design import FloatArray, IntArray, Stratum
from sensorhealth.degradation.effects import LOT_SLOPE, at_columns, steps_found
from sensorhealth.degradation.one_ahead import one_ahead
from sensorhealth.degradation.posterior import PathPosterior
from sensorhealth.degradation.predicting import own_readings
from sensorhealth.degradation.strata import StratumModel

LOGS = np.array([0.0, 0.2, 0.5, 1.0, 1.7])  # sizes of ln(pace) that are tried, up and down
PRIOR = np.array([10.0, 0.5, 0.2, 0.1, 0.05])  # sensors' worth of belief in each
PARTS = (1 / 3, 2 / 3)  # of a sensor's readings from which its last one is foretold
FEWEST_READINGS = 4  # of a sensor that tells of its pace
FEWEST_SENSORS = 10
FEWEST_UNTIL = 2  # readings from which a sensor is foretold when looking back on a date
LEAST_WEIGHT = 0.02  # of a size that is kept
CLEAR = 5.0  # log likelihood that paces other than one must gain
FAR_OFF = 9.0  # squared error, in variances, beyond which a last reading tells no more: it may be a bad one
ROUNDS = 100
TINY = 1e-300


@dataclass(frozen=True)
class Paces:
    """Law of the pace from now on, as a factor on the time ahead: factor (k,), weight (k,); foretold: sensors looked back on."""

    factor: FloatArray
    weight: FloatArray
    foretold: int

    @property
    def spread(self) -> float:
        """Standard deviation of ln(pace)."""
        return float(np.sqrt(self.weight @ np.log(self.factor) ** 2))


STEADY = Paces(np.ones(1), np.ones(1), 0)


def learn_paces(model: StratumModel) -> Paces:
    """The law of paces of a fitted stratum, from how the ends of its sensors' records were foretold from their beginnings."""
    stratum = model.stratum
    if model.given or (stratum.counts >= FEWEST_READINGS).sum() < FEWEST_SENSORS:
        return STEADY
    errors, variances = zip(*(_at_paces(model, part) for part in PARTS))
    variance = np.concatenate(variances)
    error = np.concatenate(errors, axis=2)
    densities = -0.5 * (np.minimum(error**2 / variance, FAR_OFF) + np.log(variance))
    weight, gain = _likeliest(densities, 1.0 / len(PARTS))
    if gain < CLEAR:
        return STEADY
    kept = weight >= LEAST_WEIGHT
    kept[0] = True
    weight = np.where(kept, weight, 0.0) / weight[kept].sum()
    up, down = LOGS[1:][kept[1:]], 0.5 * weight[1:][kept[1:]]
    sensors = int((stratum.counts >= FEWEST_READINGS).sum())
    return Paces(np.exp(np.concatenate([[0.0], up, -up])), np.concatenate([weight[:1], down, down]), sensors)


class Foretold(NamedTuple):
    """Of m sensors the last reading, foretold from their beginnings, and what came; all (m,), in ln headroom ratio.

    birth, begun: level when new, and at the end of the beginning, as known then. path, since: the posterior then and its ages
    (years); ahead: years from there to the last reading. mean, latent_variance: of the latent path at the last reading. came:
    the reading, net of gas; noise: variance of its noise, and of steps found in between; stepped: whether there were any.
    """

    birth: FloatArray
    begun: FloatArray
    path: PathPosterior
    since: FloatArray
    ahead: FloatArray
    mean: FloatArray
    latent_variance: FloatArray
    came: FloatArray
    noise: FloatArray
    stepped: NDArray[np.bool_]


def foretold_last(model: StratumModel, part: float) -> Foretold | None:
    """Of each sensor with enough readings its last one, foretold from the first `part` of them; None for none."""
    stratum, item = model.stratum, max(model.modes, key=lambda mode: mode.weight)
    early = from_beginnings(model, part)
    if early is None:
        return None
    posterior, begin = early
    path, own, noise = own_readings(item)
    told = stratum.counts >= FEWEST_READINGS
    last = stratum.last[told]
    gathered = np.cumsum(steps_found(stratum))
    steps = gathered[last] - gathered[_ends_of_beginnings(stratum, part)[told]]
    mean, variance = (array[0] for array in posterior.latent(stratum.age[last]))
    begun = posterior.level[0]
    birth = begun - posterior.curve[0].path(posterior.slope[0], begin)
    return Foretold(
        birth, begun, posterior, begin, stratum.age[last] - begin, mean, variance, path[last] + own[last],
        noise[last] + item.fitted.parameters.returning + np.maximum(steps, 0.0), steps > 0.0,
    )  # fmt: skip


def _at_paces(model: StratumModel, part: float) -> tuple[FloatArray, FloatArray]:
    """Error (k, 2, m) of the last readings foretold at each pace up and down, and their variance (m,)."""
    told = foretold_last(model, part)
    assert told is not None
    means = [[told.path.latent(told.since + told.ahead * np.exp(sign * log))[0][0] for sign in (1.0, -1.0)] for log in LOGS]
    return told.came - np.array(means), told.latent_variance + told.noise


def _ends_of_beginnings(stratum: Stratum, part: float) -> IntArray:
    """Position (n,) of the last reading of each sensor's beginning."""
    count = np.maximum(np.ceil(part * (stratum.counts - 1)).astype(np.int64), 1)
    return stratum.offsets[:-1] + count - 1


def from_beginnings(model: StratumModel, part: float) -> tuple[PathPosterior, FloatArray] | None:
    """As `from_some` for the first `part` of each sensor's readings, sensors with few readings left out."""
    stratum = model.stratum
    told = stratum.counts >= FEWEST_READINGS
    return from_some(model, beginnings(stratum, part) & told[stratum.life]) if told.any() else None


def known_until(models: Iterable[StratumModel], age_years: pd.Series) -> dict[str, tuple[PathPosterior, FloatArray]]:
    """As `from_some` for the readings of each life up to an age (years; index life_id, NaN: left out), by stratum; lives with
    fewer than FEWEST_UNTIL of them are left out."""
    found = {}
    for model in (item.looked_back for item in models):
        stratum = model.stratum
        kept = stratum.age <= age_years.reindex(stratum.life_id).to_numpy(float)[stratum.life]
        enough = np.bincount(stratum.life[kept], minlength=stratum.life_id.size) >= FEWEST_UNTIL
        found[stratum.name] = from_some(model, kept & enough[stratum.life])
    return {name: item for name, item in found.items() if item is not None}


def from_some(model: StratumModel, kept: NDArray[np.bool_]) -> tuple[PathPosterior, FloatArray] | None:
    """Posterior of the paths as known from the readings `kept` (N,), the first ones of each sensor, and the ages (n,) then; lives
    without such readings are left out; None for none.

    By the likeliest curve, at the variances and the common path of the whole fit.
    """
    stratum, item = model.stratum, max(model.modes, key=lambda mode: mode.weight)
    rows = np.flatnonzero(kept)
    if model.given or not rows.size:
        return None
    fitted, parameters = item.fitted, item.fitted.parameters
    path, own, noise = own_readings(item)
    offsets = np.concatenate([[0], np.cumsum(kept)])[stratum.offsets]
    told = np.diff(offsets) > 0
    g = fitted.base.g
    ahead = one_ahead(
        offsets, g[rows], own[rows], noise[rows], parameters.sensor, parameters.brownian, steps_found(stratum)[rows],
        None if fitted.base.keep is None else fitted.base.keep[rows], parameters.returning,
    )  # fmt: skip
    last = rows[offsets[1:][told] - 1]
    row = np.stack([np.ones(last.size), g[last], np.ones(last.size)])
    spread = ahead.spread[:, :, told]
    covariance = np.empty((1, last.size, 2, 2))
    covariance[0, :, 0, 0] = np.einsum("in,ijn,jn->n", row, spread, row)
    covariance[0, :, 0, 1] = covariance[0, :, 1, 0] = (row * spread[:, 1]).sum(axis=0)
    covariance[0, :, 1, 1] = spread[1, 1]
    of_lot = at_columns(fitted.fit.crossed[LOT_SLOPE][0], stratum.lot) if LOT_SLOPE in fitted.fit.crossed else 0.0
    common = (fitted.fit.beta[1] + of_lot + np.zeros(told.size))[told]
    level, age, one = path[last] + (row * ahead.state[:, told]).sum(axis=0), stratum.age[last], np.ones(1)
    posterior = PathPosterior(
        stratum.name, stratum.life_id[told], one, (fitted.curve,), level[None], (common + ahead.state[1, told])[None],
        covariance, fitted.curve.clock(age)[None], parameters.brownian * one, parameters.residual * one,
        fitted.degrees * one, item.gas_variance * one, np.diff(offsets)[told],
    )  # fmt: skip
    return posterior, age


def beginnings(stratum: Stratum, part: float) -> NDArray[np.bool_]:
    """Which readings (N,) are among the first `part` of their sensor's, the last one not counted."""
    number = np.arange(stratum.y.size) - np.repeat(stratum.offsets[:-1], stratum.counts)
    return np.asarray(number < np.ceil(part * (stratum.counts - 1))[stratum.life], dtype=bool)


def _likeliest(log_density: FloatArray, worth: float) -> tuple[FloatArray, float]:
    """Weights (k,) of the sizes under which the errors are likeliest, the prior counted; gain of log likelihood over one.

    log_density (k, 2, m): of each error going up and going down; worth: of one error in sensors, for a sensor has several.
    """
    both = np.logaddexp(log_density[:, 0], log_density[:, 1])  # the same for all but a factor of two
    density = np.exp(both - both.max(axis=0))
    weight = PRIOR / PRIOR.sum()
    for _ in range(ROUNDS):
        told = weight[:, None] * density
        weight = worth * (told / told.sum(axis=0)).sum(axis=1) + PRIOR
        weight /= weight.sum()
    return weight, worth * float(np.sum(np.log(weight @ density) - np.log(density[0] + TINY)))
