"""Falls that hit many sensors of a site together: silicone in the air, a storm, a wash-down, a fire test.

Given a site's clock, the falls of its sensors come independently, each at the rate of its kind on that clock in place of time.
The clock is a gamma process, with mean t and variance `uneven` t: now and then it leaps, and many fall at once. How uneven it is
shows in how many pairs of sensors of a site fell between the same visits, beside the pairs that chance brings.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammainc

from .lifedata import DAYS_PER_YEAR

Array = NDArray[np.float64]

MONTH = pd.Timedelta(days=30)
CHANCE = 0.01  # with which chance alone may bring so many pairs where falls are held to come together
MOST = 5.0  # years: one leap in five years that brings all falls of that time


def unevenness(fell: pd.DataFrame, readings: pd.DataFrame, site: pd.Series) -> float:
    """Variance (years squared a year) of the clock of a site's falls; 0 where they come no more together than by chance.

    fell: falls, life_id and time_after (of the first reading that shows it). readings: life_id, time. site: of each life (index
    life_id). The falls of a month at a site are compared with the time that its readings in that month look back on, so that
    falls found at one visit do not pass for falls that came together.
    """
    told = readings[readings["life_id"].isin(site.index)].sort_values(["life_id", "time"], kind="stable")
    if len(fell) < 2 or told.empty:
        return 0.0
    own = told["life_id"] == told["life_id"].shift()
    back = told["time"].diff().where(own).dt.total_seconds() / (86_400.0 * DAYS_PER_YEAR)
    told, back = told[back > 0.0], back[back > 0.0]
    start = told["time"].min()

    def cell(table: pd.DataFrame, time: str) -> list[NDArray[np.object_]]:
        return [table["life_id"].map(site).to_numpy(dtype=object), ((table[time] - start) // MONTH).to_numpy(dtype=object)]

    looked = back.groupby(cell(told, "time")).agg(["sum", "mean"])
    came = fell.groupby(cell(fell, "time_after")).size().reindex(looked.index).fillna(0.0).to_numpy(float)
    mean = came.sum() * looked["sum"].to_numpy() / looked["sum"].sum()
    pairs, by_chance = float((came * (came - 1.0)).sum()), float((mean**2).sum())
    if pairs <= by_chance or gammainc(0.5 * pairs, 0.5 * by_chance) > CHANCE:
        return 0.0
    return float(min((pairs - by_chance) / (mean**2 / looked["mean"].to_numpy()).sum(), MOST))


def clocks(sites: Sequence[str], days: Array, uneven: float, world: Sequence[int]) -> Array:
    """The clock (s, m) of each site at `days` (m,), from 0 on, in one world: alike wherever the site's name is asked about."""
    steps = np.diff(days, prepend=0.0) / DAYS_PER_YEAR
    drawn = [np.random.default_rng([*world, zlib.crc32(name.encode())]).gamma(steps / uneven) for name in sites]
    return np.cumsum(uneven * DAYS_PER_YEAR * np.reshape(drawn, (len(sites), days.size)), axis=1)


def on_clocks(sites: pd.Series, days: Array, world: tuple[float, Sequence[int]] | None) -> Array:
    """Days (n, m) on the clocks of falls of the lives' sites (n,), on the wall's where the site is missing.

    world: how uneven clocks are and the numbers by which one possible world's are drawn; None: all on the wall's.
    """
    if world is None:
        return np.broadcast_to(days, (len(sites), days.size))
    code, names = pd.factorize(sites)
    read = np.vstack([clocks([str(name) for name in names], days, *world), days])  # a missing site has the code -1
    return np.asarray(read[code])
