"""On which of its visits a site will see swaps: drawn, since all sensors of the site share them.

A visit is made for the first swap that cannot wait for the next one, and takes along the swaps that fall due not long
after it, so that another visit can be left out. When the next swap cannot wait is a matter of chance: the time until
it is drawn from the swaps expected (a Poisson process). Whether a visit is made moves all swaps of its site at once,
which is why counts of one month, or of a year that ends near a visit, spread far more than independent sensors would.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
_NEVER = -1e9
_PERIOD = 30.0  # days
FARTHEST = 2.0  # that a visit brings swaps forward, times `early`


class SiteSwaps(NamedTuple):
    """What the visits of one site follow from.

    days: (k,) its visits, from the as-of date. due: (m + 1,) expected swaps that cannot wait beyond each edge, added up.
    early: days by which a swap is brought forward for the sake of leaving out a visit. at_once: whether a visit of its
    own is made on the as-of date. first: whether the first visit is made, which is known.
    """

    days: FloatArray
    due: FloatArray
    early: float
    at_once: bool
    first: bool


class Visiting(NamedTuple):
    """The visits of all sites in one drawn world, between edges (m + 1,) days.

    cover: (s, m + 1) day up to which swaps that fall due have been made by each edge. made: (s, m) visits with swaps.
    release: (s, k, m) where the swaps of later generations go that would fall in each of k periods were they spread evenly.
    """

    cover: FloatArray
    made: FloatArray
    release: FloatArray


def further(edges: FloatArray, days: float) -> FloatArray:
    """The edges (m + 1,), and more of them (k + 1,) up to `days` after the last, from where visits bring swaps forward."""
    return np.append(edges, edges[-1] + _PERIOD * np.arange(1.0, np.ceil(days / _PERIOD) + 1.0))


def draw_visiting(sites: list[SiteSwaps], edges: FloatArray, rng: np.random.Generator, beyond: float) -> Visiting:
    """Draw the visits of every site; swaps are foreseen for `beyond` days after the last edge."""
    periods, longer = edges.size - 1, further(edges, beyond)
    cover = np.empty((len(sites), edges.size))
    made = np.empty((len(sites), periods))
    release = np.empty((len(sites), longer.size - 1, periods))
    for number, site in enumerate(sites):
        chosen, reach = drawn_visits(site, edges, rng)
        reach = np.append(_NEVER, np.maximum.accumulate(reach))
        cover[number] = reach[np.searchsorted(site.days[chosen], edges, side="right")]
        when = np.concatenate([[0.0] if site.at_once else [], site.days[chosen]])
        month = np.maximum(np.searchsorted(edges, when, side="left") - 1, 0)
        made[number] = np.bincount(month[when <= edges[-1]], minlength=periods)
        release[number] = _released(site, cover[number], longer)
    return Visiting(cover, made, release)


def drawn_visits(site: SiteSwaps, edges: FloatArray, rng: np.random.Generator) -> tuple[NDArray[np.intp], FloatArray]:
    """Positions (h,) of the visits that are made, in the order of time, and the day (h,) up to which each makes swaps.

    How far a visit reaches is drawn as well, evenly between nothing and twice `early`: it depends on which swaps are
    known to fall due by then, and new readings change that.
    """
    last = site.days.size - 1
    beyond = max(float(site.days[-1] - edges[-1]), 1.0)  # the last visit may be made for what falls due after the edges
    slope = (site.due[-1] - site.due[0]) / max(edges[-1] - edges[0], 1e-9)
    edges = np.append(edges, edges[-1] + beyond)
    due = np.maximum.accumulate(np.append(site.due, site.due[-1] + slope * beyond))
    held: list[int] = []
    reach: list[float] = []
    visit = 0 if site.first else None
    while True:
        if visit is not None:
            held.append(visit)
            reach.append(float(site.days[visit + 1]) + site.early * rng.uniform(0.0, FARTHEST))
        after = reach[-1] if held else 0.0
        wanted = np.interp(after, edges, due) + rng.exponential()
        following = held[-1] + 1 if held else 1
        if wanted >= due[-1] or after >= edges[-1] or following >= last:
            return np.array(held, dtype=np.intp), np.array(reach)
        day = np.interp(wanted, due, edges)
        visit = max(int(np.searchsorted(site.days, day, side="right")) - 1, following)
        if visit >= last:
            return np.array(held, dtype=np.intp), np.array(reach)


def _released(site: SiteSwaps, cover: FloatArray, edges: FloatArray) -> FloatArray:
    """Matrix (k, m) that takes expected swaps, spread evenly between edges (k + 1,), to the periods of the visits made.

    Spread evenly, a swap comes half an interval before the day on which it falls due, on average.
    """
    wait = 0.5 * float(site.days[1] - site.days[0])
    wanted = cover - wait
    sums = np.tril(np.ones((edges.size, edges.size - 1)), -1)  # of periods, up to each edge
    at = np.clip(wanted, edges[0], edges[-1])
    upper = np.clip(np.searchsorted(edges, at, side="right"), 1, edges.size - 1)
    share = ((at - edges[upper - 1]) / np.maximum(edges[upper] - edges[upper - 1], 1e-9))[:, None]
    by = sums[upper - 1] * (1.0 - share) + sums[upper] * share
    return np.diff(by, axis=0).T
