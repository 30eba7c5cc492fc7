"""Each sensor's risk at the coming visits, its best day for a swap, and the visit it is planned on."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.newlives import LifeTable, NewLives
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.replacement import age_replacement, at_days, swap_value, time_in_service
from sensorhealth.decide.schedule import SitePlan, schedule
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import codes
from sensorhealth.decide.visitdates import SiteVisits, site_visits

BoolArray = NDArray[np.bool_]
DateArray = NDArray[np.datetime64]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]

_CHUNK = 32_768
_HELPS = 0.8  # a swap must lower the risk of an interval at least to this part, or it is no remedy


@dataclass(frozen=True)
class Outlook:
    """What lies ahead of each sensor; n entries each.

    site_code: position in `sites`. first_visit, second_visit: days. p_first: chance of ending before the first visit.
    p_next: chance of ending before the second visit. p_interval: chance of ending between the two, given alive at the
    first. swap: index of the planned visit in its site's visits, the number of visits = none in the window.
    swap_date: its date, NaT for none. leaves: the same, and the as-of date where a swap cannot wait for a visit.
    p_swap: chance of ending before the planned visit. latest_date: last visit that keeps the accepted risk, NaT =
    beyond the window. best_date: day of least expected cost, whether a visit or not; NaT = not within the horizon.
    too_late: even the first visit is past the accepted risk. over_risk: the accepted risk is not kept by the plan.
    no_remedy: it is exceeded, but a new sensor would do no better. sites, plans: the visits of each site, and its
    plan's cost, gap and method.
    """

    site_code: IntArray
    first_visit: DateArray
    second_visit: DateArray
    p_first: FloatArray
    p_next: FloatArray
    p_interval: FloatArray
    swap: IntArray
    swap_date: DateArray
    leaves: DateArray
    p_swap: FloatArray
    latest_date: DateArray
    best_date: DateArray
    too_late: BoolArray
    over_risk: BoolArray
    no_remedy: BoolArray
    sites: tuple[SiteVisits, ...]
    plans: tuple[SitePlan, ...]


class _Ahead(NamedTuple):
    """Arrays of one site: F at the visits (n, k + 1), value (n, k) and later (n,) of a swap, best day (n,)."""

    ended: FloatArray
    value: FloatArray
    later: FloatArray
    best: FloatArray


class _SiteFacts(NamedTuple):
    """Of one site's sensors: risk (n, k + 1) of each interval; remedy: whether a swap helps; dead: failed its test."""

    risk: FloatArray
    remedy: BoolArray
    dead: BoolArray


class _SitePlanned(NamedTuple):
    """Of one site's sensors (n,): planned and latest visit, and the flags of `Outlook`; the plan itself."""

    visit: IntArray
    latest: IntArray
    too_late: BoolArray
    over_risk: BoolArray
    no_remedy: BoolArray
    plan: SitePlan


def outlook(remaining: LifeTable, facts: Situation, fresh: NewLives) -> Outlook:
    """Risks, best days and planned visits of all sensors, from their life distributions and the new sensors'."""
    policy = facts.policy
    names, code = codes(facts.site)
    sites = site_visits(policy, names, facts.as_of)
    kind = fresh.position(facts.kind)
    dead = facts.in_service & (facts.last_outcome == "fail")
    known = facts.in_service & (facts.row >= 0)
    share = _visit_share(sites, code, fresh, kind, known)
    planned = facts.unit_cost + policy.swap_cost
    failed = planned + policy.failure_cost
    rate = _successors_rate(fresh, kind, planned + share, failed + share)
    columns = {name: np.full(facts.size, np.nan) for name in ("p_first", "p_next", "p_interval", "p_swap", "latest", "best")}
    flags = {name: np.zeros(facts.size, dtype=bool) for name in ("too_late", "over_risk", "no_remedy")}
    swap = np.array([site.planned for site in sites], dtype=np.intp)[code]
    plans: list[SitePlan] = []
    by_site = np.split(np.argsort(code, kind="stable"), np.cumsum(np.bincount(code, minlength=len(sites)))[:-1])
    left = policy.solver_seconds if _pairs(sites, code, known | dead) <= policy.solver_largest else 0.0
    for site, everyone in zip(sites, by_site):
        rows = everyone[(known | dead)[everyone]]
        ahead = _look_ahead(remaining, facts.row[rows], site, planned[rows], failed[rows], share[rows], rate[rows])
        risk, remedy = _risks(ahead.ended, fresh, kind[rows], site)
        started = time.monotonic()
        found = _plan_site(policy, site, ahead, _SiteFacts(risk, remedy, dead[rows]), left)
        left -= time.monotonic() - started
        plans.append(found.plan)
        swap[rows] = found.visit
        for name in flags:
            flags[name][rows] = getattr(found, name)
        for name, values in _shown(site, ahead, risk, found).items():
            columns[name][rows] = np.where(known[rows], values, np.nan)
    first, second = (np.array([site.days[number] for site in sites])[code] for number in (0, 1))
    swap_date = _date(facts.as_of, _visit_day(sites, code, swap))
    return Outlook(
        site_code=code.astype(np.intp),
        first_visit=_date(facts.as_of, first),
        second_visit=_date(facts.as_of, second),
        swap=swap,
        swap_date=swap_date,
        leaves=np.where(flags["too_late"], facts.as_of, swap_date),
        latest_date=_date(facts.as_of, columns.pop("latest")),
        best_date=_date(facts.as_of, columns.pop("best")),
        sites=tuple(sites),
        plans=tuple(plans),
        **columns,
        **flags,
    )


def _pairs(sites: list[SiteVisits], code: IntArray, counted: BoolArray) -> int:
    """Sensor-visit pairs of the whole fleet."""
    return int(np.array([site.planned for site in sites])[code][counted].sum())


def _shown(site: SiteVisits, ahead: _Ahead, risk: FloatArray, found: _SitePlanned) -> dict[str, FloatArray]:
    """What `Outlook` tells of the sensors of one site, in chances and days."""
    rows = np.arange(found.visit.size)
    return {
        "p_first": ahead.ended[:, 0],
        "p_next": ahead.ended[:, 1],
        "p_interval": risk[:, 1],
        "p_swap": np.where(found.visit < site.planned, ahead.ended[rows, found.visit], np.nan),
        "latest": np.append(site.days[: site.planned], np.nan)[found.latest],
        "best": ahead.best,
    }


def _visit_share(sites: list[SiteVisits], code: IntArray, fresh: NewLives, kind: IntArray, known: BoolArray) -> FloatArray:
    """Each sensor's share (n,) of a visit's cost: the visit over the swaps that a visit to its site sees on average."""
    mean_life = np.maximum(time_in_service(fresh.grid_days, fresh.total)[:, -1], 1.0)
    per_day = np.bincount(code, weights=known / mean_life[kind], minlength=len(sites))
    shares = [site.cost / max(1.0, rate * (site.days[1] - site.days[0])) for site, rate in zip(sites, per_day)]
    return np.array(shares)[code]


def _successors_rate(fresh: NewLives, kind: IntArray, planned: FloatArray, failed: FloatArray) -> FloatArray:
    """Least cost per day (n,) of the sensors that follow, once for each distinct kind and price."""
    price = pd.factorize(planned)[0]
    code, keys = pd.factorize(kind * (price.max(initial=0) + 1) + price)
    first = np.empty(keys.size, dtype=np.intp)
    first[code] = np.arange(code.size)
    if not first.size:
        return np.empty(0)
    found = age_replacement(fresh.grid_days, fresh.total[kind[first]], planned[first], failed[first])
    return found.rate[code]


def _look_ahead(
    remaining: LifeTable,
    row: IntArray,
    site: SiteVisits,
    planned: FloatArray,
    failed: FloatArray,
    share: FloatArray,
    rate: FloatArray,
) -> _Ahead:
    """What a swap is worth on each visit of one site and, for `later`, on the best visit after the window or never.

    A day without a visit is no choice: measured against such days, swaps were put off to visits that came too late. In
    chunks, to spare memory.
    """
    grid = remaining.grid_days
    count, size = site.planned, row.size
    ahead = _Ahead(np.empty((size, count + 1)), np.empty((size, count)), np.empty(size), np.empty(size))
    days = np.concatenate([site.days[:count], site.beyond, grid[-1:]])
    for start in range(0, size, _CHUNK):
        part = slice(start, start + _CHUNK)
        chosen = np.maximum(row[part], 0)
        total = np.minimum(remaining.soft[chosen] + remaining.sudden[chosen], 1.0)
        worth = swap_value(total, time_in_service(grid, total), planned[part], failed[part], rate[part])
        best = worth.argmin(axis=1)
        ahead.best[part] = np.where(best == grid.size - 1, np.nan, grid[best])
        ahead.ended[part] = at_days(grid, total, site.days)
        on_visits = at_days(grid, worth, days)
        ahead.value[part] = on_visits[:, :count]
        ahead.later[part] = on_visits[:, count:].min(axis=1) + share[part]
    return ahead


def _risks(ended: FloatArray, fresh: NewLives, kind: IntArray, site: SiteVisits) -> tuple[FloatArray, BoolArray]:
    """Chance (n, k + 1) of ending in each interval if alive at its start, from now on; whether a swap helps."""
    alive = np.maximum(1.0 - ended, 1e-12)
    risk = ended.copy()
    risk[:, 1:] = np.clip((ended[:, 1:] - ended[:, :-1]) / alive[:, :-1], 0.0, 1.0)
    length = np.diff(site.days, prepend=0.0)
    new = at_days(fresh.grid_days, fresh.total, length)[kind]
    return risk, new <= _HELPS * risk


def _plan_site(policy: Policy, site: SiteVisits, ahead: _Ahead, facts: _SiteFacts, seconds: float) -> _SitePlanned:
    """Plan the swaps of one site, and what follows for each of its sensors."""
    count = site.planned
    exceeded = facts.risk > policy.risk
    binding = exceeded & facts.remedy & ~facts.dead[:, None]
    too_late = binding[:, 0]
    latest = np.where(binding[:, 1:].any(axis=1), binding[:, 1:].argmax(axis=1), count)
    latest[facts.dead] = 0
    visit = np.full(latest.size, count, dtype=np.intp)
    planned = np.flatnonzero(~too_late)
    plan = schedule(
        ahead.value[planned],
        ahead.later[planned],
        latest[planned],
        site.capacity,
        site.cost,
        10.0 * (policy.failure_cost + site.cost) + 1.0,
        seconds=seconds,
    )
    visit[planned] = plan.visit
    no_remedy = (exceeded[:, :2] & ~facts.remedy[:, :2]).any(axis=1) & ~facts.dead
    past = ~too_late & (visit > latest)
    return _SitePlanned(visit, latest, too_late, too_late | past | no_remedy, no_remedy, plan)


def _visit_day(sites: list[SiteVisits], code: IntArray, swap: IntArray) -> FloatArray:
    """Days (n,) to the planned visit, NaN for none."""
    widest = max((site.planned for site in sites), default=0)
    table = np.full((len(sites), widest + 1), np.nan)
    for position, site in enumerate(sites):
        table[position, : site.planned] = site.days[: site.planned]
    return table[code, swap]


def _date(as_of: np.datetime64, days: FloatArray) -> DateArray:
    """Dates (n,) `days` after the as-of date, NaT for NaN."""
    whole = np.where(np.isnan(days), 0, np.floor(np.nan_to_num(days))).astype("timedelta64[D]")
    return np.where(np.isnan(days), np.datetime64("NaT", "D"), as_of + whole)
