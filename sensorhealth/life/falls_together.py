"""Falls that hit many sensors of a site together: silicone in the air, a storm, a wash-down, a fire test.

Some falls come in events, each of which hits every sensor that is at its site with the same chance; the others come one by one.
Events show where more sensors of a site fell between the same readings than the other falls bring by chance. How often they come
is known from few of them, and so are future numbers of ends: a world of the budget draws how often they come, how many sensors
they hit, and when.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammainc

from .lifedata import DAYS_PER_YEAR

Array = NDArray[np.float64]

CHANCE = 0.05  # with which chance alone may bring an event anywhere in the records
FEWEST = 2  # sensors that fall in an event
SPAN = ["time_before", "time_after"]
HALF = 0.5  # event, and sensor hit or not, that is held beforehand (Jeffreys)
MOST = 0.95  # of the sensors of a site that an event hits
ROUNDS = 4  # of asking for events, with the rate of the other falls as it was known before


@dataclass(frozen=True)
class SiteEvents:
    """Events in one possible world: rate (per site and year), hit (chance of each sensor there to fall), world (seeds)."""

    rate: float
    hit: float
    world: tuple[int, ...]

    def of_kind(self, times: float) -> SiteEvents:
        """The same for a kind of sensor that falls so many times as often as others of its technology."""
        return replace(self, hit=min(times * self.hit, MOST))

    def by(self, sites: Sequence[str], days: Array) -> NDArray[np.intp]:
        """How many come to each site (s, m) by `days` (m,): alike wherever the site's name is asked about."""
        found = np.zeros((len(sites), days.size), dtype=np.intp)
        for number, name in enumerate(sites):
            rng = np.random.default_rng([*self.world, zlib.crc32(name.encode())])
            when = 0.0
            while (when := when + DAYS_PER_YEAR * rng.exponential() / max(self.rate, 1e-12)) <= days[-1]:
                found[number] += when <= days
        return found


@dataclass(frozen=True)
class Company:
    """Falls of the past of one technology that came in events, and the others.

    events: found in so many site_years; hit of the sensors exposed to them, less those that chance brought. shape, years: of the
    gamma law of the rate of the other falls, per sensor and year. together: falls that count as one, as a number of falls is the
    less known the more of them come at once.
    """

    events: int
    site_years: float
    hit: float
    exposed: float
    shape: float
    years: float
    together: float

    @property
    def often(self) -> float:
        """Events per site and year."""
        return (self.events + HALF) / self.site_years

    @property
    def severe(self) -> float:
        """Chance of a sensor to be hit by an event."""
        return (self.hit + HALF) / (self.exposed + 2.0 * HALF)

    @property
    def rate(self) -> tuple[float, float]:
        """Gamma law (shape, years) of the rate of all falls per sensor and year, of the mean and variance of theirs together."""
        alone, in_events = self.shape / self.years, self.often * self.severe
        variance = alone**2 / self.shape + in_events**2 * (
            1.0 / (self.events + HALF) + (1.0 - self.severe) / (self.hit + HALF) / (self.exposed + 2.0)
        )
        return (alone + in_events) ** 2 / variance, (alone + in_events) / variance

    def draw(self, rng: np.random.Generator, world: tuple[int, ...]) -> tuple[float, SiteEvents]:
        """One possible world: the rate of the falls that come one by one, and the events; world: seeds."""
        often = float(rng.gamma(self.events + HALF)) / self.site_years
        severe = float(rng.beta(self.hit + HALF, self.exposed - self.hit + HALF))
        return float(rng.gamma(self.shape)) / self.years, SiteEvents(often, severe, world)


def company(fell: pd.DataFrame, watched: pd.DataFrame, belief: tuple[float, float]) -> Company | None:
    """Events among the falls of a technology; None where no more come together than by chance.

    fell: life_id, site, time_before, time_after (of the last reading before and the first after). watched: the same of all
    readings that follow each other, between which a fall would have been seen. belief: gamma law (shape, years) of the rate of
    falls beforehand.
    """
    years = np.diff(_spans(watched), axis=0)[0]
    if len(fell) < FEWEST or not years.sum() > 0.0:
        return None
    places = [(_spans(own), _spans(watched[watched["site"] == site])) for site, own in fell.groupby("site")]
    span = watched.groupby("site").agg({"time_before": "min", "time_after": "max"})
    site_years = float(np.diff(_spans(span), axis=0).sum())
    chance = CHANCE / max(site_years / years.mean(), 1.0)
    alone, found = len(fell), np.empty((0, 3))
    for _ in range(ROUNDS):
        rate = (alone + HALF) / years.sum()
        found = np.concatenate([_events(*place, rate, chance) for place in places])
        before, alone = alone, len(fell) - int(found[:, 0].sum())
        if alone == before:
            break
    if not len(found):
        return None
    hit = np.maximum(found[:, 0] - found[:, 2], 1.0)
    exposed = float(np.maximum(found[:, 1], hit).sum())
    others = belief[0] + len(fell) - float(hit.sum()), belief[1] + float(years.sum())
    together = (alone + float((found[:, 0] ** 2).sum())) / len(fell)
    return Company(len(found), site_years, float(hit.sum()), exposed, *others, together)


def _spans(table: pd.DataFrame) -> Array:
    """Times before and after (2, k), in years since some day."""
    start = np.datetime64("2000-01-01")
    days = [(table[name].to_numpy(dtype="datetime64[ns]") - start) / np.timedelta64(1, "D") for name in SPAN]
    return np.stack(days) / DAYS_PER_YEAR


def _events(fell: Array, watched: Array, rate: float, chance: float) -> Array:
    """Events at one site (k, 3): falls, sensors that were there, falls expected by chance at `rate` a year between the same
    readings; the largest first, and each of its falls in no other."""
    found = []
    while fell.shape[1] >= FEWEST:
        covers = (fell[0] < fell[1][:, None]) & (fell[1] >= fell[1][:, None])
        most = int(covers.sum(axis=1).argmax())
        there = (watched[0] < fell[1, most]) & (watched[1] >= fell[1, most])
        count, expected = int(covers[most].sum()), rate * float((watched[1] - watched[0])[there].sum())
        if count < FEWEST or gammainc(count, expected) > chance:
            break
        found.append((count, int(there.sum()), expected))
        fell = fell[:, ~covers[most]]
    return np.array(found, dtype=np.float64).reshape(-1, 3)
