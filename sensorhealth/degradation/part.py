"""A part of a stratum's lives, with only the cylinders, sessions and steps that they met."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import sparse

from sensorhealth.degradation.design import FloatArray, IntArray, Stratum

REGIONS = 4  # times as many lives as the part has, in the regions that it is drawn from


def choose_lives(stratum: Stratum, count: int, seed: int) -> IntArray:
    """About `count` lives with readings, and the life that stands for a new sensor of the kind, in order.

    At random, from regions (lives tied together by cylinders) drawn at random until these have REGIONS times as many: of a few
    regions each cylinder is met by many. Within them spread evenly over the lots and the lives frame.
    """
    rng = np.random.default_rng(seed)
    region = _regions(stratum)
    lives = np.bincount(region, stratum.counts > 0, region.max(initial=0) + 1)
    drawn = rng.permutation(lives.size)
    enough = int(np.searchsorted(np.cumsum(lives[drawn]), REGIONS * count)) + 1
    read = np.flatnonzero((stratum.counts > 0) & np.isin(region, drawn[:enough]))
    order = read[np.argsort(stratum.lot[read], kind="stable")]
    places = np.minimum(((np.arange(count) + rng.uniform()) * order.size / count).astype(np.int64), order.size - 1)
    new = np.flatnonzero(stratum.life_id == stratum.name)
    return np.unique(np.concatenate([order[places], new]))


def _regions(stratum: Stratum) -> IntArray:
    """Region (n,) of each life: lives that cylinders tie together, directly or by others."""
    met = stratum.cylinder >= 0
    lives, size = stratum.life_id.size, stratum.life_id.size + stratum.cylinders.size
    places = stratum.life[met], lives + stratum.cylinder[met]
    tied = sparse.coo_array((np.ones(places[0].size), places), shape=(size, size))
    return sparse.csgraph.connected_components(tied, directed=False)[1][:lives].astype(np.int64)


def take_lives(stratum: Stratum, lives: IntArray) -> Stratum:
    """The stratum of some lives (m,), in order; its lots keep their codes."""
    chosen = np.zeros(stratum.life_id.size, dtype=bool)
    chosen[lives] = True
    rows = np.flatnonzero(chosen[stratum.life])
    cylinder, cylinders = _met(stratum.cylinder[rows], stratum.cylinders.size)
    session, sessions = _met(stratum.session[rows], stratum.sessions.size)
    both, segments = _met(np.concatenate([stratum.segment[rows], stratum.last_segment[lives]]), stratum.segments)
    return replace(
        stratum,
        life_id=stratum.life_id[lives], lot=stratum.lot[lives], row=stratum.row[rows],
        offsets=np.concatenate([[0], np.cumsum(stratum.counts[lives])]).astype(np.int64),
        age=stratum.age[rows], y=stratum.y[rows], censoring=stratum.censoring[rows],
        cylinder=cylinder, cylinders=stratum.cylinders[cylinders], tolerance=stratum.tolerance[cylinders],
        opened=stratum.opened[rows], session=session, sessions=stratum.sessions[sessions],
        covariates=stratum.covariates[rows], segment=both[: rows.size], last_segment=both[rows.size :],
        segments=int(segments.size), step_size=stratum.step_size[segments],
        reference_value=stratum.reference_value[lives], remarks=(), gas_prior=None,
    )  # fmt: skip


def like_none(stratum: Stratum) -> Stratum:
    """What other readings of the kind are to be put in the terms of: covariates and centres stay, names are forgotten."""
    none = np.zeros(0, dtype=object)
    return replace(stratum, lots=none, cylinders=none, sessions=none, tolerance=np.zeros(0), gas_prior=None)


def _met(index: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """Codes without those that are not met (-1 stays), and the old code of each new one."""
    met = np.zeros(size + 1, dtype=bool)
    met[index] = True  # -1 is the last place
    met[size] = False
    new = np.append(np.cumsum(met[:size]) - 1, -1)
    return new[index], np.flatnonzero(met[:size])


def spread_of(lots: IntArray, own: float, among: float, error: float, size: int) -> FloatArray:
    """Variance (size,) of lots' effects by how many of the lives (n,) each has: `among` lots, `own` of lives, `error` of one."""
    known = np.bincount(lots[lots >= 0], minlength=size)
    return np.asarray(among / (1.0 + known * among / max(own + error, 1e-18)), dtype=float)
