"""Kernel: all faults of all paths of a fleet, one after the other, with the false alarms of the whole fleet held.

Each round takes the most probable fault of every series (`change_points`), accepts those that the false-discovery rate
over all series lets through, takes them out (`fault_state`) and searches the changed series again. Then every fault is
looked at once more in the light of the others. Two passes: the second with priors that the first pass's faults no
longer spoil. The rate is held for bad readings, for steps and for ends separately, so that many sure finds of one kind
do not open the door to doubtful ones of another (stratified control: Sun, Craiu, Paterson and Bull 2006, Genet.
Epidemiol. 30, 519-530).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.health.array_records import join, pick
from sensorhealth.health.change_points import (
    CHUNK,
    DOWN,
    SINGLE,
    SWAP,
    Faults,
    Rates,
    log_odds_at,
    most_probable_faults,
    padded,
    rates_of_each,
)
from sensorhealth.health.false_discovery import critical_p
from sensorhealth.health.fault_state import State, at_reading
from sensorhealth.health.path_filter import FloatArray, IntArray, PathPrior, forward, of_each, scores
from sensorhealth.health.path_prior import estimate_priors

MOST_ROUNDS = 10
END = 2
LEAST_PROBABILITY = 0.65
SILENT = 1e4


@dataclass(frozen=True)
class FoundFaults:
    """What a search found.

    faults: those accepted, positions being those in the flat readings (of the bad reading, or of the first after the
    step). priors: of each stratum. deviation, deviation_sd, flat like the readings: each reading less what all others
    of its path let expect (the faults taken out), and the standard deviation of that difference. slope, slope_sd
    (series,): posterior slope of each series given per unit of clock, up to its first swap.
    """

    faults: Faults
    priors: tuple[PathPrior, ...]
    deviation: FloatArray
    deviation_sd: FloatArray
    slope: FloatArray
    slope_sd: FloatArray


def find_faults(
    y: FloatArray,
    age: FloatArray,
    start: IntArray,
    count: IntArray,
    stratum: IntArray,
    rates: Sequence[Rates],
    *,
    seen: NDArray[np.bool_] | None = None,
    ending: NDArray[np.bool_] | None = None,
    doubt: FloatArray | None = None,
    false_discovery_rate: float = 0.05,
    priors: Sequence[PathPrior] | None = None,
    linear: bool = False,
    least_noise: FloatArray | None = None,
) -> FoundFaults:
    """Search all series for bad readings, steps and unrecorded swaps.

    y (ln headroom ratio net of gas and session), age (years): flat, ages ascending within a series; start, count,
    stratum (series,): where each lies and its stratum (0, 1, ...); rates: one for each stratum; seen: False leaves a
    reading out; ending: readings a fall to which is the sensor's end, a family of its own; doubt: variance of a reading
    beyond the noise of all; priors: of the strata, where they are known; linear: the clock is age itself; least_noise
    (strata,): standard deviation of what rounding does at least.
    """
    looked = np.ones(len(y), dtype=bool) if seen is None else seen
    final = np.zeros(len(y), dtype=bool) if ending is None else ending
    state = State.fresh(y, age, start, count, stratum, looked, doubt)
    known = None if priors is None else list(priors)
    for robust in (True, False) if priors is None else (False,):
        if priors is None:
            known = estimate_priors(
                state.series, state.stratum, robust=robust, begin=known, linear=linear, least_noise=least_noise
            )
        state = State.fresh(y, age, start, count, stratum, looked, doubt)
        faults, bounds = _rounds(state, known or [], rates, false_discovery_rate, final)
        faults = _review(state, faults, known or [], rates, bounds, final)
    deviation, sd, slope, slope_sd = _deviations(state, known or [])
    return FoundFaults(faults, tuple(known or ()), deviation, sd, slope[: len(start)], slope_sd[: len(start)])


def _family(kind: IntArray, size: FloatArray, final: NDArray[np.bool_]) -> IntArray:
    """The family of findings that the false-discovery rate is held in: bad readings, steps either way (a swap is one) or ends."""
    return np.where(final & (size < 0) & (kind <= DOWN), END, np.minimum(kind, DOWN))


def bounds_by_family(p_value: FloatArray, family: IntArray, rate: float) -> FloatArray:
    """The bound on p-values (series,) in each family (series,) of finds, (END + 1,); where none is under it, that for a first
    find of its kind."""
    tests = [critical_p(np.where(family == k, p_value, 1.0), rate) for k in range(END + 1)]
    return np.maximum(tests, rate / max(len(p_value), 1))


def _rounds(
    state: State, priors: list[PathPrior], rates: Sequence[Rates], false_discovery_rate: float, final: NDArray[np.bool_]
) -> tuple[Faults, FloatArray]:
    """Rounds of search and acceptance; the faults accepted, and the bounds that their p-values stayed under."""
    active = np.flatnonzero(state.series.count > 0)
    bounds: FloatArray | None = None
    found: list[Faults] = []
    for _ in range(MOST_ROUNDS):
        own = state.stratum[active]
        faults = most_probable_faults(state.take(active), of_each(priors, own), rates_of_each(rates, own))
        at = state.series.start[active] + faults.position
        family = _family(faults.kind, faults.size, final[at])
        if bounds is None:
            bounds = bounds_by_family(faults.p_value, family, false_discovery_rate)
        accepted = (faults.p_value <= bounds[family]) & (faults.any_fault >= LEAST_PROBABILITY)
        accepted &= (faults.kind == SINGLE) | (state.series.shock[at] == 0)
        taken = at_reading(pick(faults, accepted), state.series.start[active[accepted]])
        found.append(taken)
        if not accepted.any():
            break
        before = len(state.series.count)
        state.take_out(taken.position, taken.kind)
        active = np.r_[active[accepted], np.arange(before, len(state.series.count))]
    return join(found), bounds if bounds is not None else np.full(END + 1, -1.0)


def _review(
    state: State,
    faults: Faults,
    priors: list[PathPrior],
    rates: Sequence[Rates],
    bounds: FloatArray,
    final: NDArray[np.bool_],
) -> Faults:
    """Look at every fault again with all others taken out: its kind may change, or it may not be needed any more."""
    kind, keep = faults.kind.copy(), np.ones(len(faults.kind), dtype=bool)
    series = state.of(faults.position)
    order = np.lexsort((faults.position, series))
    first = np.searchsorted(series[order], series[order])
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order)) - first
    for turn in range(rank.max(initial=-1) + 1):
        which = np.flatnonzero((rank == turn) & (kind != SWAP))
        if not len(which):
            continue
        at = faults.position[which]
        own = state.of(at)
        state.put_back(at)
        told = of_each(priors, state.stratum[own]), rates_of_each(rates, state.stratum[own])
        odds, p_value = log_odds_at(state.take(own), *told, at - state.series.start[own])
        kind[which] = odds.argmax(axis=0)
        family = _family(kind[which], faults.size[which], final[at])
        keep[which] = (p_value <= bounds[family]) & (odds.max(axis=0) > 0)
        kept = which[keep[which]]
        state.take_out(faults.position[kept], kind[kept])
    return pick(replace(faults, kind=kind), keep)


def _deviations(state: State, priors: list[PathPrior]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Each reading less what the others of its path let expect, and the standard deviation of that difference; slope of
    each series and its standard deviation.

    A reading left out comes back with a noise so large that it moves nothing: score / information is then still exactly
    the reading less its expectation.
    """
    s = state.series
    deviation, sd = np.full((2, len(s.y)), np.nan)
    slope, slope_sd = np.full((2, len(s.count)), np.nan)
    own = np.flatnonzero(s.count > 0)
    for part in np.array_split(own[np.argsort(-s.count[own], kind="stable")], len(own) // CHUNK + 1):
        start, count = s.start[part], s.count[part]
        prior = of_each(priors, state.stratum[part])
        data = padded(state.take(part), prior)
        rows = np.arange(len(data.y))[:, None]
        inside = rows < count
        silent = inside & ~data.seen
        data = replace(data, seen=inside, noise=np.where(silent, SILENT, data.noise))
        score = scores(data, forward(data, *prior.start, prior.wander))
        at = (start + rows)[inside]
        deviation[at] = (score.error_score / score.error_information)[inside]
        variance = 1 / score.error_information - np.where(silent, SILENT - prior.noise, 0.0)
        sd[at] = np.sqrt(np.where(variance > 0, variance, np.nan)[inside])
        slope[part] = prior.mean[1] + (prior.spread[1] * score.start_score).sum(axis=0)
        gained = np.einsum("is,ijs,js->s", prior.spread[1], score.start_information, prior.spread[1])
        slope_sd[part] = np.sqrt(np.maximum(prior.spread[1, 1] - gained, 0.0))
    return deviation, sd, slope, slope_sd
