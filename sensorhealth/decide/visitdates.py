"""On which days each site is visited."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.policy import Policy

_WEEK = 7.0


@dataclass(frozen=True)
class SiteVisits:
    """Visits to one site after the as-of date.

    site: its name. days: (k + 1,) days from the as-of date; the first k can be planned on, the last one only ends the
    last interval. beyond: (b,) visits after the window, as far as forecasts reach, one a week at most. capacity: most
    swaps on one visit, 0 = not limited. cost: of one visit.
    """

    site: str
    days: NDArray[np.float64]
    beyond: NDArray[np.float64]
    capacity: int
    cost: float

    @property
    def planned(self) -> int:
        """Number k of visits that can be planned on; at least one."""
        return self.days.size - 1


def visit_days(policy: Policy, site: str, as_of: np.datetime64, until_days: float) -> NDArray[np.float64]:
    """Days (k + 1,) from the as-of date to the visits to `site`: all within `until_days` and the one after.

    Stated dates come first; where they run out, visits go on at the site's interval.
    """
    interval = float(policy.of_site(site, "visit_interval_days"))
    dates = policy.of_site(site, "visit_dates")
    if dates:
        stated = (np.array(dates, dtype="datetime64[D]") - as_of.astype("datetime64[D]")).astype(float)
        stated = stated[stated > 0]
    else:
        stated = np.empty(0)
    start = stated[-1] + interval if stated.size else float(policy.first_visit_days)
    further = np.arange(start, max(until_days, start) + 2 * interval, interval)
    days = np.concatenate([stated, further])
    keep = max(2, int(np.searchsorted(days, until_days, side="right")) + 1)
    return days[:keep]


def site_visits(policy: Policy, sites: Sequence[str], as_of: np.datetime64) -> list[SiteVisits]:
    """The visits within the planning window and beyond it, one entry per site."""
    found = []
    for site in sites:
        days = visit_days(policy, site, as_of, float(policy.planning_days))
        beyond = visit_days(policy, site, as_of, float(policy.horizon_days))[days.size - 1 : -1]
        often = max(1, int(_WEEK // float(policy.of_site(site, "visit_interval_days"))))
        capacity, cost = int(policy.of_site(site, "visit_capacity_swaps")), float(policy.of_site(site, "visit_cost"))
        found.append(SiteVisits(site, days, beyond[::often], capacity, cost))
    return found
