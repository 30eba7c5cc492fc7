"""Sudden ends that come together: a poisoning, a flood, a fire test hits many sensors of one site at once.

The forecasts give each sensor its own chance of a sudden end; a budget that takes these as independent is too sure of
itself where sensors die in company. The events are found in the fleet's own past, and future ones are drawn with the
rate and the severity seen there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainc

from sensorhealth.decide.texts import codes

FloatArray = NDArray[np.float64]
DAYS_PER_YEAR = 365.25
_WINDOW = 30.0  # days in which ends count as one event
_CHANCE = 1e-3  # a cluster must be less likely than this by chance alone
_FEWEST = 2  # ends in a cluster


class SuddenEnds(Protocol):
    """Chances of sudden ends, as `sensorhealth.life.SuddenLife` and its draws give them."""

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: ArrayLike) -> FloatArray:
        """Chance (n, m) of a sudden end within `days` (m,) of the as-of date."""


@dataclass(frozen=True)
class SharedEvents:
    """Events in the past, by technology.

    table: technology, events, site_years (watched), hit (sensors that ended in events), exposed (sensors that were
    there), part (of all sudden ends, those in events).
    """

    table: pd.DataFrame

    @cached_property
    def _seen(self) -> list[tuple[str, FloatArray]]:
        """Technologies that events have hit, and their numbers."""
        seen = self.table[self.table["events"] > 0]
        numbers = seen[["events", "site_years", "hit", "exposed", "part"]].to_numpy(dtype=float)
        return list(zip(seen["technology"].astype(str), numbers))

    def draw(self, hazard: SuddenEnds, rng: np.random.Generator, shard: int | None = None) -> SuddenEnds:
        """`hazard` in one possible world: with events that hit the sensors of a site together, and less of its own.

        shard: number of the part of a fleet whose sites are asked about; rates are those of the whole, events of the sites.
        """
        worlds: dict[str, tuple[float, float, float]] = {}
        for technology, (events, years, hit, exposed, part) in self._seen:
            rate = float(rng.gamma(events + 0.5)) / years
            worlds[technology] = (rate, float(rng.beta(hit + 0.5, exposed - hit + 0.5)), float(part))
        seed = int(rng.integers(2**63))
        return _WithEvents(hazard, worlds, (seed,) if shard is None else (seed, shard))


def shared_events(lives: pd.DataFrame, as_of: pd.Timestamp | str) -> SharedEvents:
    """Find events among the lives up to the as-of date.

    lives: technology, site, entered, ended, end_kind (from the health room). The sudden ends of one technology at one
    site within 30 days are an event where there are two at least, and more than chance brings to that site (less than
    one in a thousand by the site's own rate, Poisson).
    """
    as_of = pd.Timestamp(as_of)
    start = (as_of - lives["entered"]).dt.total_seconds().to_numpy(dtype=float) / 86_400.0
    end = np.nan_to_num((as_of - lives["ended"]).dt.total_seconds().to_numpy(dtype=float) / 86_400.0, nan=0.0)
    sudden = (lives["end_kind"] == "sudden").to_numpy()
    rows = []
    technologies, group = codes(lives["technology"].to_numpy(dtype=object))
    home = codes(lives["site"].to_numpy(dtype=object))[1]
    order = np.lexsort((home, group))
    bounds = np.flatnonzero(np.diff(home[order], prepend=-1) | np.diff(group[order], prepend=-1))
    places: list[list[NDArray[np.intp]]] = [[] for _ in technologies]
    for chosen in np.split(order, bounds[1:]) if order.size else []:
        places[group[chosen[0]]].append(chosen)
    for number, technology in enumerate(technologies):
        events, years, hit, exposed = 0, 0.0, 0, 0
        for chosen in places[number]:
            watched = start[chosen].max() - end[chosen].min()
            years += watched / DAYS_PER_YEAR
            for first, count in _clusters(end[chosen[sudden[chosen]]], watched):
                there = (start[chosen] > first) & (end[chosen] <= first)
                events, hit, exposed = events + 1, hit + count, exposed + int(there.sum())
        total = int(sudden[group == number].sum())
        rows.append((technology, events, max(years, 1e-9), hit, max(exposed, hit), hit / total if total else 0.0))
    return SharedEvents(pd.DataFrame(rows, columns=["technology", "events", "site_years", "hit", "exposed", "part"]))


def _clusters(ago: FloatArray, watched: float) -> list[tuple[float, int]]:
    """Events at one site: (days ago of the first end, number of ends), from days ago (k,) of its sudden ends."""
    expected = ago.size / max(watched, _WINDOW) * _WINDOW
    found = []
    left = np.sort(ago)[::-1]
    while left.size >= _FEWEST:
        inside = left > left[0] - _WINDOW
        count = int(inside.sum())
        if count >= _FEWEST and gammainc(count, expected) < _CHANCE:
            found.append((float(left[0]), count))
            left = left[~inside]
        else:
            left = left[1:]
    return found


@dataclass(frozen=True)
class _WithEvents:
    """Sudden ends of sensors on their own and in events; worlds: technology -> rate per site-year, hit, part."""

    hazard: SuddenEnds
    worlds: dict[str, tuple[float, float, float]]
    seed: tuple[int, ...]

    @property
    def falls(self) -> object:
        """What the hazard knows of falls at once, if anything."""
        return getattr(self.hazard, "falls", None)

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: ArrayLike) -> FloatArray:
        """Chance (n, m) of a sudden end within `days`, in this world.

        A life that is yet to begin (column current, where there is one) has a date of its own, no event's, and keeps
        the hazard of all.
        """
        ahead = np.atleast_1d(np.asarray(days, dtype=float))
        ended = self.hazard.conditional_cdf(lives, as_of, ahead)
        rng = np.random.default_rng(self.seed if len(self.seed) > 1 else self.seed[0])
        begun = lives["current"].to_numpy(dtype=bool) if "current" in lives else np.ones(len(lives), dtype=bool)
        for technology, (rate, hit, part) in sorted(self.worlds.items()):
            mine = (lives["technology"] == technology).to_numpy() & begun
            sites, code = codes(lives["site"].to_numpy(dtype=object)[mine])
            so_far = np.zeros((len(sites), ahead.size))
            for site in range(len(sites)):
                times = rng.uniform(0.0, ahead[-1], rng.poisson(rate * ahead[-1] / DAYS_PER_YEAR))
                so_far[site] = (times[:, None] <= ahead).sum(axis=0)
            ended[mine] = 1.0 - (1.0 - ended[mine]) ** (1.0 - part) * (1.0 - hit) ** so_far[code]
        return ended
