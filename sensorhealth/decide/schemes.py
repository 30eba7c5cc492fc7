"""When replacements fall under each scheme: by forecast ("condition"), by the calendar, or at failure.

Each scheme turns life distributions, of the sensors in service and of new ones, into chances of a planned swap and of
an end in service by each day.

The condition scheme renews its forecasts at each visit, so today's distribution of ends must not be taken for what
will be known then. A sensor planned on the first visit is swapped there if it lives. Of the others, soft ends are
seen coming: they are swapped on the last visit that is earlier than the end by `notice` days, save a small part that
comes before the swap (both: `foresight`). Sudden ends are not seen coming; but where they come with age, the sensor
is swapped at the age-replacement optimum of its sudden ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.foresight import foresight
from sensorhealth.decide.newlives import LifeTable, NewLives
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.positions import Positions, chunks, life_rows
from sensorhealth.decide.replacement import age_replacement, swap_value, time_in_service
from sensorhealth.decide.visitdates import visit_days
from sensorhealth.decide.visiting import FARTHEST

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


@dataclass(frozen=True)
class Ways:
    """How each position, and each kind of new sensor, is replaced under a scheme.

    begin: (n,) day from which soft ends are seen coming, infinite = never. stop: (n,) day on which it is swapped if
    it lives, infinite = none. notice: (n,) days by which a swap comes before the soft end that it forestalls. missed:
    (n,) part of the soft ends that come before their swap. new_...: the same for new sensors (k,), as ages; a soft
    end is seen coming from notice days of age on. cover: (s, m + 1) day up to which swaps that fall due have been made
    by each edge, by site; every visit made, unless visits were drawn. known: (s, m + 1) part of the notice that counts
    by each edge: what is known now is in the plan already. release: (s, k, m) of `visiting.Visiting`, None = spread
    evenly. early: (s,) days by which swaps are brought forward to leave out a visit. beyond: days after the last edge up to
    which a visit makes swaps.
    """

    begin: FloatArray
    stop: FloatArray
    notice: FloatArray
    missed: FloatArray
    new_begin: FloatArray
    new_notice: FloatArray
    new_stop: FloatArray
    new_missed: FloatArray
    cover: FloatArray
    known: FloatArray
    early: FloatArray
    beyond: float = 0.0
    release: FloatArray | None = None

    def of(self, rows: IntArray) -> Ways:
        """Those of some positions."""
        return replace(self, **{name: getattr(self, name)[rows] for name in ("begin", "stop", "notice", "missed")})


def ways(scheme: str, where: Positions, fleet_plan: FleetPlan, edges: FloatArray) -> Ways:
    """How positions are replaced under `scheme` ("condition", "calendar", "failure"), for periods between `edges`."""
    policy, fresh = fleet_plan.policy, fleet_plan.fresh
    visits = [visit_days(policy, site.site, fleet_plan.facts.as_of, edges[-1]) for site in fleet_plan.ahead.sites]
    number = np.array([np.minimum(np.searchsorted(days, edges, side="right"), days.size - 1) for days in visits])
    following = np.array([days[index] for days, index in zip(visits, number)])
    size, kinds = where.row.size, len(fresh.kinds)
    none = Ways(
        begin=np.full(size, np.inf),
        stop=np.full(size, np.inf),
        notice=np.zeros(size),
        missed=np.zeros(size),
        new_begin=np.full(kinds, np.inf),
        new_notice=np.zeros(kinds),
        new_stop=np.full(kinds, np.inf),
        new_missed=np.zeros(kinds),
        cover=following,
        known=np.zeros(following.shape),
        early=np.zeros(len(visits)),
    )
    if scheme == "failure":
        return none
    if scheme == "calendar":
        limit = float(policy.calendar_swap_days)
        stop = _on_visit(visits, where.site_code, limit - where.age, first=0)
        return replace(none, stop=stop, new_stop=np.full(kinds, limit))
    seen = foresight(fleet_plan, where.kind, where.site_code, where.unit_cost)
    best = _best_age(where, fleet_plan.remaining, fresh, policy)
    later = np.where(np.isfinite(best.stop), _on_visit(visits, where.site_code, best.stop, first=1), np.inf)
    planned = np.isfinite(where.start)
    gap = float(np.mean([days[1] - days[0] for days in visits]))
    return Ways(
        begin=np.where(planned, np.inf, np.array([days[1] for days in visits])[where.site_code]),
        stop=np.where(planned, where.start, later),
        notice=seen.notice[where.kind],
        missed=seen.missed[where.kind],
        new_begin=np.full(kinds, gap),
        new_notice=seen.notice + 0.5 * gap,
        new_stop=best.new_stop,
        new_missed=seen.missed,
        cover=following,
        known=1.0 - 0.35 ** np.maximum(number - 1, 0),
        early=seen.early,
        beyond=FARTHEST * float(seen.early.max(initial=0.0)) + max(float(days[1] - days[0]) for days in visits),
    )


class _BestAge(NamedTuple):
    """Days (n,) to the best swap against sudden ends alone, and best age (k,) of new sensors; infinite = none."""

    stop: FloatArray
    new_stop: FloatArray


def _best_age(where: Positions, base: LifeTable, fresh: NewLives, policy: Policy) -> _BestAge:
    """Age-replacement optimum against sudden ends, which no headroom forecasts."""
    price = np.full(len(fresh.kinds), policy.unit_cost_default)
    np.maximum.at(price, where.kind, where.unit_cost)
    new = age_replacement(fresh.grid_days, fresh.sudden, price + policy.swap_cost, price + policy.swap_cost + policy.failure_cost)
    stop = np.full(where.row.size, np.inf)
    finite = np.isfinite(new.age_days[where.kind])
    for rows in chunks(np.flatnonzero(finite)):
        sudden = life_rows(where, rows, base, fresh).sudden
        cost = where.unit_cost[rows] + policy.swap_cost
        worth = swap_value(
            sudden,
            time_in_service(base.grid_days, sudden),
            cost,
            cost + policy.failure_cost,
            new.rate[where.kind[rows]],
        )
        best = worth.argmin(axis=1)
        stop[rows] = np.where(best == base.grid_days.size - 1, np.inf, base.grid_days[best])
    return _BestAge(stop, new.age_days)


def _on_visit(visits: list[FloatArray], site_code: IntArray, days: FloatArray, first: int) -> FloatArray:
    """The last visit (n,) not after `days` (n,) from the as-of date, and not before visit number `first`."""
    found = np.empty(days.size)
    for position, dates in enumerate(visits):
        rows = site_code == position
        index = np.searchsorted(dates, days[rows], side="right") - 1
        found[rows] = dates[np.clip(index, first, dates.size - 1)]
    return found
