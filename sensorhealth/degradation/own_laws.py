"""Laws of the knees of a kind's sensors: where they lie, how far apart, and how many are sharper or gentler than the kind's."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from sensorhealth.degradation.design import FloatArray
from sensorhealth.degradation.own_knees import SHIFTS

SPREADS = np.array([0.03, 0.08, 0.15, 0.25, 0.4, 0.6, 0.8])
MIDDLE, SPREAD = (grid.ravel() for grid in np.meshgrid(SHIFTS[2:-2], SPREADS, indexing="ij"))  # (q,) of ln factors
WEAR = (0.26, 0.64)  # spreads, two in three beforehand (source: `places`)
ALIKE = 0.02  # belief beforehand that all have the knee that was fitted: the readings may still say so (a judgement)
USUAL = 0.6  # standard deviation of the middle beforehand
# shares of the sensors whose knee is gentler, and sharper, than that of the kind
MIXED = np.array([(0.0, 0.0), (0.0, 0.3), (0.0, 0.6), (0.3, 0.0), (0.6, 0.0), (0.15, 0.15), (0.3, 0.3), (0.4, 0.4)])
WORTHS = np.array([1.0, 0.3, 0.1])  # of a reading, in telling of its sensor's knee
PLAIN = SHIFTS.size // 2
EDGES = np.concatenate([[-np.inf], 0.5 * (SHIFTS[1:] + SHIFTS[:-1]), [np.inf]])
CELLS = np.diff(ndtr((EDGES - MIDDLE[:, None]) / SPREAD[:, None]), axis=1)  # (q, f) chance of each factor
TINY = 1e-300


def evidence(log: FloatArray, shapes: int) -> FloatArray:
    """Chance (w, h) of each law of a kind, the first that all are alike, then for each of MIXED each middle and spread, were a
    reading worth as much as each of WORTHS says; log (k, n): log likelihoods of its lives at each factor, shape after shape."""
    likelihood = _likelihood(log, shapes)
    alike = np.log(np.maximum(likelihood[:, 0, PLAIN], TINY)).sum(axis=1)
    others = np.log(np.maximum(_told(likelihood, shapes), TINY)).sum(axis=3).reshape(WORTHS.size, -1)
    score = np.concatenate([alike[:, None], others], axis=1) + np.log(_beforehand())
    chance = np.exp(score - score.max(axis=1, keepdims=True))
    return np.asarray(chance / chance.sum(axis=1, keepdims=True))


def own_law(log: FloatArray, shapes: int, chance: FloatArray) -> FloatArray:
    """Law (w, k, n) of the factor of each life, given the log likelihoods (k, n) and the chance (w, h) of the kind's laws."""
    likelihood = _likelihood(log, shapes)
    by_law = chance[:, 1:].reshape(WORTHS.size, len(MIXED), MIDDLE.size, 1)
    weight = by_law / np.maximum(_told(likelihood, shapes), TINY)
    own = np.einsum("wmqn,ms,qf->wsfn", weight, _shares(shapes), CELLS, optimize=True)
    own[:, 0, PLAIN] += chance[:, :1] / np.maximum(likelihood[:, 0, PLAIN], TINY)
    own = (own * likelihood).reshape(WORTHS.size, *log.shape)
    return np.asarray(own / own.sum(axis=1, keepdims=True))


def spread_of(chance: FloatArray) -> float:
    """Standard deviation of the ln factors of a kind's lives; chance (h,): of each law."""
    each = chance[1:].reshape(len(MIXED), -1).sum(axis=0)
    return float(np.sqrt(max(each @ (MIDDLE**2 + SPREAD**2) - (each @ MIDDLE) ** 2, 0.0)))


def _likelihood(log: FloatArray, shapes: int) -> FloatArray:
    """Likelihood (w, s, f, n) of each shape and factor at each worth."""
    scaled = WORTHS[:, None, None] * (log - log.max(axis=0))
    return np.exp(scaled).reshape(WORTHS.size, shapes, SHIFTS.size, -1)


def _told(likelihood: FloatArray, shapes: int) -> FloatArray:
    """Likelihood (w, m, q, n) of the readings under each law."""
    return np.asarray(np.einsum("qf,wsfn,ms->wmqn", CELLS, likelihood, _shares(shapes), optimize=True))


def _shares(shapes: int) -> FloatArray:
    """Share (m, s) of the sensors with each shape of the knee, for each of MIXED."""
    others = MIXED[:, : shapes - 1]
    return np.column_stack([1.0 - others.sum(axis=1), others])


def _beforehand() -> FloatArray:
    """Belief (h,) in each law."""
    low, high = np.log(WEAR)
    usual = np.exp(-0.5 * ((np.log(SPREAD) - 0.5 * (low + high)) / (0.5 * (high - low))) ** 2)
    widths = np.outer(np.gradient(SHIFTS[2:-2]), np.gradient(np.log(SPREADS))).ravel()
    belief = widths * usual * np.exp(-0.5 * (MIDDLE / USUAL) ** 2)
    others = np.tile(belief / belief.sum(), len(MIXED)) / len(MIXED)
    return np.append(ALIKE, (1.0 - ALIKE) * others)
