"""Remaining life: the soft end by first passage, the sudden end by its hazard, as competing risks, for all at once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ..degradation.paces import STEADY
from ..technologies import flat_technologies
from .calibration import Calibration
from .end_law import AT_LIMIT
from .falls import FallLaw, fallen, falls_of, weights_of
from .lifedata import DAYS_PER_YEAR, years_between
from .soft import default_grid, nearer, paced_cdf, thinned

if TYPE_CHECKING:
    from ..degradation.posterior import PathPosterior

Array = NDArray[np.float64]

_CELLS = 4_000_000  # chances of several draws worked out at once
_PLAIN = Calibration()
_LEAST_RISE = 1e-15  # of a distribution function between two days


class SuddenEnds(Protocol):
    """What remaining life needs to know of sudden deaths."""

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: ArrayLike) -> Array:
        """Chance (n, m) of a sudden end within `days` (m,) of the as-of date, given alive on it."""


@dataclass(frozen=True)
class RemainingLife:
    """Distribution of remaining useful life, one row per sensor life.

    life_id: (n,) text. as_of: the date the analysis stands on. grid_days: (m,) days from the as-of date, 0 to the
    horizon. soft, sudden: (n, m) cumulative incidence (probability) of the two ends as competing risks; their sum is
    the chance that the sensor has ended. soft[:, 0] is the chance that the latent headroom is already at or below the
    limit. An end by a fall at once is sudden; falls that bring the end nearer are in both. by_falls: (n, m) by how much the
    chance that the sensor has ended is larger than it would be without falls to come; None where nothing is known of falls.
    """

    life_id: NDArray[np.object_]
    as_of: pd.Timestamp
    grid_days: Array
    soft: Array
    sudden: Array
    by_falls: Array | None = None

    @cached_property
    def total(self) -> Array:
        """Probability (n, m) of having ended by each grid day, of either cause."""
        return self.soft + self.sudden

    @property
    def horizon_days(self) -> float:
        """Largest number of days looked ahead."""
        return float(self.grid_days[-1])

    def p_end(self, days: ArrayLike) -> Array:
        """Probability (n,) of ending within `days`: one number for all or one per sensor.

        Beyond the horizon the horizon's value is given, before the as-of date 0, for a missing number NaN.
        """
        return self._by(days, self.total)

    def p_end_by_falls(self, days: ArrayLike) -> Array:
        """How much of `p_end` (n,) comes from falls to come: those that end the sensor, and those that bring its end nearer."""
        return self._by(days, np.zeros_like(self.soft) if self.by_falls is None else self.by_falls)

    def _by(self, days: ArrayLike, chance: Array) -> Array:
        wanted = np.broadcast_to(np.asarray(days, dtype=float), self.life_id.shape)
        inside = np.clip(np.nan_to_num(wanted, nan=0.0), 0.0, self.horizon_days)
        upper = np.clip(np.searchsorted(self.grid_days, inside, side="right"), 1, self.grid_days.size - 1)
        rows = np.arange(self.life_id.size)
        left, right = self.grid_days[upper - 1], self.grid_days[upper]
        share = (inside - left) / (right - left)
        value = (1.0 - share) * chance[rows, upper - 1] + share * chance[rows, upper]
        return np.where(np.isnan(wanted), np.nan, np.where(wanted < 0, 0.0, value))

    def quantile(self, q: float) -> tuple[Array, NDArray[np.bool_]]:
        """Days (n,) by which the sensor has ended with probability `q`, and whether they are capped at the horizon.

        0 where the chance of being at the end already reaches q.
        """
        if not 0.0 < q < 1.0:
            raise ValueError(f"q must lie between 0 and 1, not {q}")
        total = self.total
        reached = total >= q
        capped = ~reached[:, -1]
        index = np.where(capped, self.grid_days.size - 1, reached.argmax(axis=1))
        below = np.maximum(index - 1, 0)
        rows = np.arange(self.life_id.size)
        low, high = total[rows, below], total[rows, index]
        share = (q - low) / np.maximum(high - low, _LEAST_RISE)
        days = self.grid_days[below] + np.clip(share, 0.0, 1.0) * (self.grid_days[index] - self.grid_days[below])
        days = np.where(index == 0, 0.0, days)
        return np.where(capped, self.horizon_days, days), capped

    def mode(self) -> NDArray[np.object_]:
        """Which end (n,) is likelier first: "soft", "sudden", or "" where neither reaches 1 % within the horizon."""
        soft, sudden = self.soft[:, -1], self.sudden[:, -1]
        likelier = np.where(soft >= sudden, "soft", "sudden").astype(object)
        return np.where(soft + sudden < 0.01, "", likelier)

    def take(self, index: ArrayLike) -> RemainingLife:
        """The rows `index` (positions or a boolean mask) as a RemainingLife of their own."""
        chosen = np.asarray(index)
        falls = None if self.by_falls is None else self.by_falls[chosen]
        return replace(self, life_id=self.life_id[chosen], soft=self.soft[chosen], sudden=self.sudden[chosen], by_falls=falls)


def widened(path: PathPosterior, calibration: Calibration | None) -> PathPosterior:
    """The posterior with its latent spread multiplied by the factor that its stratum earned; unchanged with None."""
    if calibration is None:
        return path
    factor = calibration.factor(path.stratum) ** 2
    return replace(path, covariance=factor * path.covariance, brownian=factor * path.brownian)


def remaining_life(
    paths: Sequence[PathPosterior],
    sudden: SuddenEnds,
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    *,
    margin: float = 0.0,
    horizon_days: float = 3650.0,
    grid: ArrayLike | None = None,
    calibration: Calibration | None = None,
) -> RemainingLife:
    """Distribution of remaining life of every row of `lives`.

    paths: posteriors of the latent path on the as-of date, one per stratum, together covering the lives; a life
    without one can only end suddenly. sudden: the fitted hazard of sudden ends, with what it knows of falls at once. margin:
    the end is a latent headroom ratio of 1 + margin. grid: days (m,) at which to tabulate, starting at 0; None for
    `default_grid(horizon_days)`. calibration: a correction learnt on the user's own past that widens or narrows the
    posteriors, or None.

    The forecast is not conditioned on the latent headroom being above the limit now: a recent pass speaks for the
    reading, which contains gas and noise, and the posterior has used that reading already. Sensors of a technology
    without a soft end (galvanic oxygen) keep only their chance of being at the limit now and else end suddenly.
    """
    days = default_grid(horizon_days) if grid is None else np.asarray(grid, dtype=float)
    alone = [[path] for path in paths]
    return next(remaining_draws(alone, [sudden], lives, as_of, margin=margin, grid=days, calibration=calibration))


def remaining_draws(
    drawn: Sequence[Sequence[PathPosterior]],
    hazards: Sequence[SuddenEnds],
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    *,
    margin: float = 0.0,
    grid: ArrayLike,
    calibration: Calibration | None = None,
) -> Iterator[RemainingLife]:
    """As `remaining_life`, one for each of k draws of what the sensors share.

    drawn: for each stratum k posteriors of the same lives. hazards: k hazards of sudden ends.
    """
    days = np.asarray(grid, dtype=float)
    if days.ndim != 1 or days.size < 2 or days[0] != 0 or (np.diff(days) <= 0).any():
        raise ValueError("grid must be one row of increasing days that starts at 0")
    as_of = pd.Timestamp(as_of)
    ids = lives["life_id"].to_numpy(dtype=object)
    position = pd.Index(ids)
    ages = years_between(lives["installed"], as_of)
    flat = lives["technology"].isin(flat_technologies()).to_numpy(dtype=bool)
    kinds: list[tuple[Sequence[PathPosterior], NDArray[np.intp], NDArray[np.intp]]] = []
    for stratum in drawn:
        places = position.get_indexer(pd.Index(stratum[0].life_id))
        found = np.flatnonzero(places >= 0)
        if found.size:
            kinds.append((stratum, found, places[found]))
    together = max(1, _CELLS // max(ids.size * days.size, 1))
    for begin in range(0, len(hazards), together):
        some = slice(begin, begin + together)
        shape = len(hazards[some]), ids.size, days.size
        ends = _SoftEnds(*(np.zeros(shape) for _ in _SoftEnds._fields))
        for stratum, found, rows in kinds:
            paths = [widened(path.take(found), calibration) for path in stratum[some]]
            laws = [falls_of(hazard).laws.get(paths[0].stratum) for hazard in hazards[some]]
            own = _soft_of_several(paths, laws, ages[rows], days, margin, lives.iloc[rows], as_of, calibration)
            for whole, part in zip(ends, own):
                whole[:, rows] = part
        yield from _combined(ends, hazards[some], ids, flat, lives, as_of, days)


class _SoftEnds(NamedTuple):
    """Cumulative chances (k, n, m) of ends by the path and by falls at once, and by the path if no fall came; no other ends."""

    worn: Array
    struck: Array
    spared: Array


def _combined(
    ends: _SoftEnds,
    hazards: Sequence[SuddenEnds],
    ids: NDArray[np.object_],
    flat: NDArray[np.bool_],
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    days: Array,
) -> Iterator[RemainingLife]:
    """All ends of each of several draws; flat (n,): lives that do not come to a soft end."""
    for worn, struck, spared, sudden in zip(*ends, hazards):
        for soft in (worn, spared):
            soft[flat] = soft[flat, :1]
        struck[flat] = 0.0
        dead = np.asarray(sudden.conditional_cdf(lives, as_of, days), dtype=float)
        life = combine(ids, as_of, days, worn, dead, struck)
        yield replace(life, by_falls=life.total - (1.0 - (1.0 - spared) * (1.0 - dead))) if falls_of(sudden).laws else life


def _end_to_end(paths: Sequence[PathPosterior]) -> PathPosterior:
    """Posteriors on one curve each, the same, as one of all their lives; brownian (1, n): of each life."""
    size = len(paths[0].life_id)
    return replace(
        paths[0],
        life_id=np.concatenate([path.life_id for path in paths]),
        level=np.concatenate([path.level for path in paths], axis=1),
        slope=np.concatenate([path.slope for path in paths], axis=1),
        phi_now=np.concatenate([path.phi_now for path in paths], axis=1),
        covariance=np.concatenate([path.covariance for path in paths], axis=1),
        brownian=np.repeat([path.brownian[0] for path in paths], size)[None],
        readings_used=np.concatenate([path.readings_used for path in paths]),
    )


def _soft_of_several(
    paths: Sequence[PathPosterior],
    laws: Sequence[FallLaw | None],
    ages: Array,
    days: Array,
    margin: float,
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    calibration: Calibration | None,
) -> _SoftEnds:
    """Ends (k, n, m) of several posteriors of the same lives, with falls by each one's law; those on the same curve are worked
    out side by side."""
    out = _SoftEnds(*(np.zeros((len(paths), ages.size, days.size)) for _ in _SoftEnds._fields))
    fall, gap = laws[0], _unseen(lives, ages, as_of)
    sites = lives["site"].where(lives["current"].astype(bool)) if {"site", "current"} <= set(lives) else None
    nodes = AT_LIMIT if fall is None else fall.nodes(max(path.highest for path in paths) - float(np.log1p(margin)))
    alike: dict[object, list[int]] = {}
    for k, path in enumerate(paths):
        alike.setdefault(path.curve[0] if len(path.curve) == 1 else k, []).append(k)
    for where in alike.values():
        own = [paths[k] for k in where]
        many = np.tile(np.arange(ages.size), len(own))
        one, rows = (own[0], lives) if len(own) == 1 else (_end_to_end(own), lives.iloc[many])
        shape = len(own), ages.size, days.size
        told = _soft(one, ages[many], days, margin, rows, as_of, calibration, nodes)
        chances = [cdf.reshape(shape) for cdf in told]
        out.spared[where] = chances[0]
        out.worn[where], out.struck[where] = fallen(chances, weights_of([laws[k] for k in where], days, gap, nodes, sites))
    return out


def _unseen(lives: pd.DataFrame, ages: Array, as_of: pd.Timestamp) -> Array:
    """Days (n,) since the last gas test, or since it was new, in which a fall may have come that no reading shows yet."""
    days = ages * DAYS_PER_YEAR
    if "last_test" in lives:
        days = np.fmin(years_between(pd.to_datetime(lives["last_test"]), as_of) * DAYS_PER_YEAR, days)
    return np.maximum(days, 0.0)


def _soft(
    path: PathPosterior,
    ages: Array,
    days: Array,
    margin: float,
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    calibration: Calibration | None,
    nodes: Array,
) -> Iterator[Array]:
    """Chance (n, m) to have come within each of `nodes` (k,) of the end, with what the past of the stratum has taught."""
    known, name = calibration or _PLAIN, path.stratum
    places = known.places.get(name)
    if known.end_law is not None and name in known.end_law.share:
        yield from known.end_law.soft(path, ages, days, margin, lives, as_of, places, nodes)
        return
    own = known.paces.get(name, STEADY), known.knees.get(name), places

    def at(when: Array, limit: float) -> Array:
        return paced_cdf(path, ages, when, limit, *own)

    yield at(days, margin)
    yield from (thinned(at, days, nearer(margin, node)) for node in nodes[1:])


def combine(
    life_id: NDArray[np.object_],
    as_of: pd.Timestamp,
    days: Array,
    soft_alone: Array,
    sudden_alone: Array,
    struck_alone: Array | float = 0.0,
) -> RemainingLife:
    """Competing risks: from the chance (n, m) of each end alone to the incidence of whichever comes first.

    struck_alone: chance (n, m) of an end by a fall at once where the path has not ended before: either excludes the other.
    Sudden ends are independent of the two given the records. Between grid days each is taken as uniform, which keeps
    soft + sudden = 1 - (1 - soft_alone - struck_alone) (1 - sudden_alone) exactly.
    """
    struck = np.broadcast_to(np.asarray(struck_alone, dtype=float), soft_alone.shape)
    still_sudden = 1.0 - sudden_alone
    still_soft = 1.0 - soft_alone - struck
    soft = np.empty_like(soft_alone)
    sudden = np.empty_like(soft_alone)
    soft[:, 0] = soft_alone[:, 0]
    sudden[:, 0] = sudden_alone[:, 0] * still_soft[:, 0]
    alive = 0.5 * (still_sudden[:, 1:] + still_sudden[:, :-1])
    soft[:, 1:] = np.diff(soft_alone) * alive
    sudden[:, 1:] = np.diff(sudden_alone) * 0.5 * (still_soft[:, 1:] + still_soft[:, :-1]) + np.diff(struck) * alive
    return RemainingLife(life_id, as_of, days, soft.cumsum(axis=1), sudden.cumsum(axis=1))
