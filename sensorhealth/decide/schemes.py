"""When replacements fall under each scheme: by forecast ("condition"), by the calendar, or at failure.

Each scheme turns life distributions, of the sensors in service and of new ones, into chances of a planned swap and of
an end in service by each day.

The condition scheme renews its forecasts at each visit, so today's distribution of ends must not be taken for what
will be known then. A sensor planned on the first visit is swapped there if it lives. Of the others, soft ends are
seen coming: they are swapped on the last visit that is earlier than the end by `notice` days, save the accepted part
`risk` of them, which end in service first. Sudden ends are not seen coming; but where they come with age, the sensor
is swapped at the age-replacement optimum of its sudden ends. notice = z s, with s the error (days) with which the
date of a soft end is known (spread of the headroom now over the ageing rate) and z the normal quantile of the
accepted risk.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from sensorhealth.decide.newlives import LifeTable, NewLives
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.replacement import age_replacement, swap_value, time_in_service
from sensorhealth.decide.texts import codes
from sensorhealth.decide.visitdates import visit_days

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
DAYS_PER_YEAR = 365.25
_MOST_NOTICE = 365.0
_USUAL_NOTICE = 60.0


@dataclass(frozen=True)
class Positions:
    """The positions that the budget covers: all sensors in service; n entries each.

    row: in the life distributions, -1 where there is none and the kind's new sensors at the same age speak. kind: row
    in the new sensors' distributions. site_code: position in the plan's sites. age: days. start: day of the planned
    swap for sensors planned on the first visit or before (0 = now), NaN for the others. notice: days. unit_cost:
    currency. sensor_id, site, technology: text, for grouping.
    """

    row: IntArray
    kind: IntArray
    site_code: IntArray
    age: FloatArray
    start: FloatArray
    notice: FloatArray
    unit_cost: FloatArray
    sensor_id: NDArray[np.object_]
    site: NDArray[np.object_]
    technology: NDArray[np.object_]
    model: NDArray[np.object_]


def positions(fleet_plan: FleetPlan) -> Positions:
    """The positions of a planned fleet."""
    facts, ahead = fleet_plan.facts, fleet_plan.ahead
    rows = np.flatnonzero(facts.in_service)
    swap = ((ahead.swap_date - facts.as_of).astype(float))[rows]
    swap[np.isnat(ahead.swap_date[rows])] = np.nan
    first = np.array([site.days[0] for site in ahead.sites])[ahead.site_code[rows]]
    at_once = ahead.too_late[rows] | (facts.last_outcome[rows] == "fail")
    names, code = codes(facts.kind[rows])
    technology = np.array([name.rsplit(" ", 1)[0] for name in names], dtype=object)
    age = (facts.as_of - facts.installed[rows]).astype(float)
    return Positions(
        row=facts.row[rows],
        kind=fleet_plan.fresh.position(facts.kind[rows]),
        site_code=ahead.site_code[rows],
        age=np.where(np.isnat(facts.installed[rows]), 0.0, age),
        start=np.where(at_once, 0.0, np.where(swap <= first, swap, np.nan)),
        notice=notice_days(fleet_plan.forecast, facts.policy)[rows],
        unit_cost=facts.unit_cost[rows],
        sensor_id=facts.sensor_id[rows],
        site=facts.site[rows],
        technology=technology[code] if rows.size else np.empty(0, dtype=object),
        model=facts.model[rows],
    )


def notice_days(forecast: pd.DataFrame, policy: Policy) -> FloatArray:
    """Days (n,) by which a swap comes before the soft end it forestalls, from the spread of today's headroom."""
    if not {"headroom_ratio_p05", "headroom_ratio_p95", "ageing_per_year"} <= set(forecast.columns):
        return np.full(len(forecast), _USUAL_NOTICE)
    high = forecast["headroom_ratio_p95"].to_numpy(dtype=float)
    low = forecast["headroom_ratio_p05"].to_numpy(dtype=float)
    rate = -forecast["ageing_per_year"].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.log(high / low) / (2.0 * ndtri(0.95))
        days = ndtri(1.0 - policy.risk) * spread / rate * DAYS_PER_YEAR
    days = np.where(rate > 0, days, _MOST_NOTICE)
    return np.clip(np.where(np.isnan(days), _USUAL_NOTICE, days), 0.0, _MOST_NOTICE)


@dataclass(frozen=True)
class Ways:
    """How each position, and each kind of new sensor, is replaced under a scheme.

    begin: (n,) day from which soft ends are seen coming, infinite = never. stop: (n,) day on which it is swapped if
    it lives, infinite = none. forestalled: (s, m + 1) day of the visit after each edge, by site. new_begin, new_stop:
    the same for new sensors (k,), as ages. missed: part of the soft ends that come before their swap.
    """

    begin: FloatArray
    stop: FloatArray
    next_visit: FloatArray
    new_begin: FloatArray
    new_stop: FloatArray
    missed: float


def ways(scheme: str, where: Positions, fleet_plan: FleetPlan, edges: FloatArray) -> Ways:
    """How positions are replaced under `scheme` ("condition", "calendar", "failure"), for periods between `edges`."""
    policy, fresh = fleet_plan.policy, fleet_plan.fresh
    sites = fleet_plan.ahead.sites
    visits = [visit_days(policy, site.site, fleet_plan.facts.as_of, edges[-1]) for site in sites]
    following = np.array([days[np.minimum(np.searchsorted(days, edges, side="right"), days.size - 1)] for days in visits])
    never = np.full(where.row.size, np.inf)
    kinds = len(fresh.kinds)
    if scheme == "failure":
        return Ways(never, never, following, np.full(kinds, np.inf), np.full(kinds, np.inf), 0.0)
    if scheme == "calendar":
        limit = float(policy.calendar_swap_days)
        stop = _on_visit(visits, where.site_code, limit - where.age, first=0)
        return Ways(never, stop, following, np.full(kinds, np.inf), np.full(kinds, limit), 0.0)
    second = np.array([days[1] for days in visits])[where.site_code]
    best = _best_age(where, fleet_plan.remaining, fresh, policy)
    later = np.where(np.isfinite(best.stop), _on_visit(visits, where.site_code, best.stop, first=1), np.inf)
    planned = np.isfinite(where.start)
    gap = float(np.mean([days[1] - days[0] for days in visits]))
    notice = np.array([np.median(where.notice[where.kind == kind]) if (where.kind == kind).any() else _USUAL_NOTICE
                       for kind in range(kinds)])  # fmt: skip
    return Ways(
        begin=np.where(planned, np.inf, second),
        stop=np.where(planned, where.start, later),
        next_visit=following,
        new_begin=notice + 0.5 * gap,
        new_stop=best.new_stop,
        missed=policy.risk,
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
        _, sudden = life_rows(where, rows, base, fresh)
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


def chunks(rows: IntArray, size: int = 32_768) -> list[IntArray]:
    """`rows` in blocks that spare memory."""
    return [rows[start : start + size] for start in range(0, rows.size, size)]


def life_rows(where: Positions, rows: IntArray, table: LifeTable, fresh: NewLives) -> tuple[FloatArray, FloatArray]:
    """Soft and sudden incidence (k, m) of some positions at the table's days; see `Positions.row` for those without."""
    known = np.maximum(where.row[rows], 0)
    soft, sudden = table.soft[known], table.sudden[known]
    lacking = np.flatnonzero(where.row[rows] < 0)
    if lacking.size:
        kind, age = where.kind[rows[lacking]], where.age[rows[lacking], None]
        alive = 1.0 - at_each(fresh.grid_days, fresh.total[kind], age)
        alive = np.maximum(alive, 1e-9)
        for values, new in ((soft, fresh.soft), (sudden, fresh.sudden)):
            later = at_each(fresh.grid_days, new[kind], age + table.grid_days[None, :])
            values[lacking] = (later - at_each(fresh.grid_days, new[kind], age)) / alive
    return soft, sudden


def at_each(days: FloatArray, values: FloatArray, wanted: FloatArray) -> FloatArray:
    """Rows (n, m) given at `days` (m,), linear between them, each read at its own `wanted` (n, k); held at the ends."""
    inside = np.clip(wanted, days[0], days[-1])
    upper = np.clip(np.searchsorted(days, inside, side="right"), 1, days.size - 1)
    share = (inside - days[upper - 1]) / (days[upper] - days[upper - 1])
    low = np.take_along_axis(values, upper - 1, axis=1)
    return low + share * (np.take_along_axis(values, upper, axis=1) - low)


def replaced_by(
    times: FloatArray,
    days: FloatArray,
    lives: tuple[FloatArray, FloatArray],
    look: FloatArray,
    begin_stop: tuple[FloatArray, FloatArray],
    missed: float,
) -> tuple[FloatArray, FloatArray]:
    """Chance (n, t) of a planned swap, and of an end in service, by each of `times` (n, t) days.

    days: (m,) at which `lives`, soft and sudden incidence (n, m), are given. look: (n, t) day up to which soft ends
    are forestalled by each time. begin_stop: (n,) days of `Ways`. missed: part of the soft ends that come before
    their swap.
    """
    soft, sudden = lives
    begin, stop = begin_stop[0][:, None], begin_stop[1][:, None]
    at_begin = at_each(days, soft, begin)
    until = np.minimum(times, stop)
    late = missed * np.maximum(at_each(days, soft, until) - at_begin, 0.0)
    failed = at_each(days, soft, np.minimum(until, begin)) + late + at_each(days, sudden, until)
    seen = (1.0 - missed) * np.maximum(at_each(days, soft, look) - at_begin, 0.0)
    planned = np.where(times >= stop, 1.0 - failed, np.where(times >= begin, seen, 0.0))
    return planned, failed
