"""Kernel: the most probable single fault of each path: a bad reading, a step, or an unrecorded swap.

Every hypothesis is weighed against a path without a fault by its Bayes factor, all of them from one forward and one
backward sweep of `path_filter`: with score s and information I of a shock of prior variance w, ln BF = s^2 w / (2 (1
+ I w)) - ln(1 + I w) / 2. A swap before reading j is the likelihood of the readings before j as one path times that
of the readings from j on as a new sensor's, whose clock starts again. Beside the posterior each series gets a p-value
that needs no prior rates: the largest |z| over its readings, Bonferroni's inequality over the tests made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.health.array_records import join, pick
from sensorhealth.health.path_filter import (
    FloatArray,
    IntArray,
    Padded,
    PathPrior,
    Scores,
    Series,
    forward,
    pad,
    readings_loglik,
    scores,
)

KINDS = ("single", "down", "up", "swap")
SINGLE, DOWN, UP, SWAP = range(4)
SIZE_VARIANCE = 0.30**2
CANDIDATE_Z = 2.5
BEND = 2.0
SPENT = 0.05
ONE_VISIT_YEARS = 1 / 365.25
CHUNK = 20_000


@dataclass(frozen=True)
class Rates:
    """How often faults happen (common practice, no source): single bad readings per reading, the others per year.

    bend: how often a loss goes faster from some day on; never told, but not to be taken for a step. high: share of single
    bad readings that read high (leaks and caps read low; a wrong concentration reads either way). swap_when_spent:
    probability of a swap before the next reading once a reading stood at ln ratio SPENT or below. One number each, or one
    for each series.
    """

    single: float | FloatArray = 0.01
    down: float | FloatArray = 0.04
    up: float | FloatArray = 0.003
    swap: float | FloatArray = 0.03
    bend: float | FloatArray = 0.1
    high: float | FloatArray = 0.1
    swap_when_spent: float | FloatArray = 0.3

    def of(self, series: IntArray) -> Rates:
        """Those of some series, where each has its own."""
        return self if np.ndim(self.single) == 0 else pick(self, series)


def rates_of_each(rates: Sequence[Rates], stratum: IntArray) -> Rates:
    """The rates of each series' stratum (0, 1, ...)."""
    return Rates(*(np.array([getattr(rate, field.name) for rate in rates])[stratum] for field in fields(Rates)))


@dataclass(frozen=True)
class Faults:
    """The most probable fault of each series, all arrays (series,).

    position: reading within the series that is bad, or the first after the step; earliest, latest: positions between
    which it lies with 90 % probability given its kind. kind: index into KINDS. size, std_error (ln ratio; of a swap:
    the jump). probability: of this kind of fault anywhere in the series; any_fault: of any fault. p_value: of the
    largest |z|.
    """

    position: IntArray
    earliest: IntArray
    latest: IntArray
    kind: IntArray
    size: FloatArray
    std_error: FloatArray
    probability: FloatArray
    any_fault: FloatArray
    p_value: FloatArray


def padded(series: Series, prior: PathPrior) -> Padded:
    """The series side by side on the prior's clock."""
    start, count = series.start, series.count
    ages = pad(series.age, start, count, 0.0)
    clock = np.maximum.accumulate(prior.clock(ages), axis=0)
    noise = np.broadcast_to(prior.noise, clock.shape)
    return Padded(
        pad(series.y, start, count, 0.0),
        clock,
        noise if series.doubt is None else noise + pad(series.doubt, start, count, 0.0),
        pad(series.seen, start, count, False),
        pad(series.shock, start, count, 0.0),
    )


def most_probable_faults(series: Series, prior: PathPrior, rates: Rates) -> Faults:
    """Search every series for its most probable fault; chunked, O(readings) time. prior, rates: of all, or of each."""
    order = np.argsort(-series.count, kind="stable")
    parts = [order[i : i + CHUNK] for i in range(0, len(order), CHUNK)]
    found = [_search(_some(series, part), prior.of(part), rates.of(part)) for part in parts]
    back = np.empty(len(order), dtype=np.int64)
    back[order] = np.arange(len(order))
    return pick(join(found), back)


def _some(series: Series, which: IntArray) -> Series:
    return replace(series, start=series.start[which], count=series.count[which])


def _search(series: Series, prior: PathPrior, rates: Rates) -> Faults:
    return _posterior(*_weighed(series, prior, rates))


def log_odds_at(series: Series, prior: PathPrior, rates: Rates, position: IntArray) -> tuple[FloatArray, FloatArray]:
    """Log posterior odds (kinds, series) of each kind of fault at one given reading of each series against none, and
    the p-value (series,) of that reading, as if it had been the largest of all."""
    weights, data, score = _weighed(series, prior, rates)
    column = np.arange(len(position))
    only = np.arange(len(data.y))[:, None] == position
    return weights[:, position, column], _p_value(data, score, only)


def _weighed(series: Series, prior: PathPrior, rates: Rates) -> tuple[FloatArray, Padded, Scores]:
    """Log posterior odds of each kind of fault at each reading against none, (kinds, readings, series)."""
    data = padded(series, prior)
    sweep = forward(data, *prior.start, prior.wander)
    score = scores(data, sweep)
    weights = _log_weights(series, data, score, rates)
    _swap_weights(weights[SWAP], series, prior, data, score, readings_loglik(data, sweep))
    weights[DOWN][:, _bends(series, prior, data, score, rates, weights[DOWN])] = -np.inf
    return weights, data, score


def _bends(series: Series, prior: PathPrior, data: Padded, score: Scores, rates: Rates, down: FloatArray) -> NDArray[np.bool_]:
    """Series (series,) whose loss went faster from some reading on rather than fell at once.

    A path that ends in a knee, or whose loss is linear, has a bend in every clock that other paths agree on; what is left of
    it looks like a small step. Change of slope: normal, BEND times as wide as slopes are large.
    """
    ages = pad(series.age, series.start, series.count, 0.0)
    gap = np.clip(np.diff(ages, axis=0, prepend=ages[:1]), 1e-3, 2.0)
    variance = BEND**2 * (prior.mean[1] ** 2 + prior.spread[1, 1])
    with np.errstate(invalid="ignore", divide="ignore"):
        bend = _log_bayes_factor(score.bend_score, score.bend_information, variance) + np.log(2 * rates.bend * gap)
    bend[~data.seen | (score.bend_score >= 0)] = -np.inf
    return _log_sum(bend) > _log_sum(down)


def _log_sum(value: FloatArray) -> FloatArray:
    """ln of the sum of exp over rows."""
    top = np.maximum(value.max(axis=0, initial=-np.inf), -1e300)
    with np.errstate(divide="ignore"):
        return np.asarray(top + np.log(np.exp(value - top).sum(axis=0)), dtype=np.float64)


def _log_weights(series: Series, data: Padded, score: Scores, rates: Rates) -> FloatArray:
    """Log posterior odds of each kind of fault at each reading against none: (kinds, readings, series).

    The row of swaps holds the log prior only.
    """
    ages = pad(series.age, series.start, series.count, 0.0)
    gap = np.clip(np.diff(ages, axis=0, prepend=ages[:1]), 1e-3, 2.0)
    known = data.seen & (np.cumsum(data.seen, axis=0) > 1)
    spent = np.vstack([np.zeros_like(known[:1]), (data.y <= SPENT)[:-1]])
    swap = np.where(spent & (gap > ONE_VISIT_YEARS), rates.swap_when_spent, rates.swap * gap)
    with np.errstate(invalid="ignore", divide="ignore"):
        single = _log_bayes_factor(score.error_score, score.error_information)
        step = _log_bayes_factor(score.step_score, score.step_information)
        low = np.where(score.error_score < 0, np.log(2 * (1 - rates.high)), np.log(2 * rates.high))
        falls = score.step_score < 0
        weights = np.stack(
            [
                single + low + np.log(rates.single),
                np.where(falls, step + np.log(2 * rates.down * gap), -np.inf),
                np.where(falls, -np.inf, step + np.log(2 * rates.up * gap)),
                np.where(falls, -np.inf, np.log(swap)),
            ]
        )
    weights[SINGLE][~data.seen] = -np.inf
    weights[DOWN:, ~known] = -np.inf
    return weights


def _log_bayes_factor(score: FloatArray, information: FloatArray, variance: float | FloatArray = SIZE_VARIANCE) -> FloatArray:
    """ln Bayes factor of a shock of that variance against none."""
    inflation = 1 + information * variance
    return 0.5 * (score * score * variance / inflation - np.log(inflation))


def _swap_weights(weights: FloatArray, series: Series, prior: PathPrior, data: Padded, score: Scores, loglik: FloatArray) -> None:
    """Turn the log prior of swaps into log posterior odds, in place, where the path jumps up; else leave none."""
    with np.errstate(invalid="ignore", divide="ignore"):
        z = score.step_score / np.sqrt(score.step_information)
    row, column = np.nonzero((z > CANDIDATE_Z) & np.isfinite(weights))
    before = np.cumsum(loglik, axis=0)
    fresh = np.empty(len(row))
    for i in range(0, len(row), CHUNK):
        j, k = row[i : i + CHUNK], column[i : i + CHUNK]
        first = series.start[k] + j
        born = replace(series, start=first, count=series.count[k] - j)
        ages = pad(born.age, born.start, born.count, 0.0)
        own = prior.of(k)
        clock = np.maximum.accumulate(own.clock(ages - ages[:1]), axis=0)
        again = padded(born, own)
        again = replace(again, g=clock, shock=np.vstack([np.zeros_like(again.shock[:1]), again.shock[1:]]))
        fresh[i : i + CHUNK] = forward(again, *own.start, own.wander).loglik
    odds = weights[row, column] + before[row - 1, column] + fresh - before[-1, column]
    weights[:] = -np.inf
    weights[row, column] = odds


def _posterior(weights: FloatArray, data: Padded, score: Scores) -> Faults:
    """Most probable fault of each series from the log odds (kinds, readings, series)."""
    series = np.arange(weights.shape[2])
    top = np.maximum(weights.max(axis=(0, 1), initial=-np.inf), 0.0)
    odds = np.exp(weights - top)
    total = odds.sum(axis=(0, 1)) + np.exp(-top)
    by_kind = odds.sum(axis=1) / total
    kind = by_kind.argmax(axis=0)
    here = odds[kind, :, series].T
    position = here.argmax(axis=0)
    share = np.cumsum(here, axis=0) / np.maximum(here.sum(axis=0), 1e-300)
    single = kind == SINGLE
    s = np.where(single, score.error_score[position, series], score.step_score[position, series])
    info = np.where(single, score.error_information[position, series], score.step_information[position, series])
    posterior = info + 1 / SIZE_VARIANCE
    return Faults(
        position=position,
        earliest=np.minimum((share < 0.05).sum(axis=0), position),
        latest=np.maximum((share < 0.95).sum(axis=0), position),
        kind=kind,
        size=s / posterior,
        std_error=1 / np.sqrt(posterior),
        probability=by_kind.max(axis=0),
        any_fault=by_kind.sum(axis=0),
        p_value=_p_value(data, score),
    )


def _p_value(data: Padded, score: Scores, only: NDArray[np.bool_] | None = None) -> FloatArray:
    """Of the largest |z| over all steps and bad readings of a series, times the number of tests (Bonferroni).

    only (readings, series): look for the largest among these readings, but count the tests of all.
    """
    from scipy.special import ndtr

    known = data.seen & (np.cumsum(data.seen, axis=0) > 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        step = np.where(known, np.abs(score.step_score) / np.sqrt(score.step_information), 0.0)
        error = np.where(data.seen, np.abs(score.error_score) / np.sqrt(score.error_information), 0.0)
    if only is not None:
        step, error = np.where(only, step, 0.0), np.where(only, error, 0.0)
    largest = np.maximum(np.nan_to_num(step).max(axis=0, initial=0.0), np.nan_to_num(error).max(axis=0, initial=0.0))
    tests = known.sum(axis=0) + data.seen.sum(axis=0)
    return np.minimum(1.0, tests * 2 * ndtr(-largest))
