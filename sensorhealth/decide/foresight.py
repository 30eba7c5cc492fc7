"""How well ends will be seen coming when the plan is renewed at every visit: what the budget of the condition scheme rests on.

Today's distribution of an end is wide; by the time the end is near it will be narrow, and the swap will come shortly
before it. How shortly follows from the plan's own rule: it accepts a soft end between two visits with the chance at
which waiting costs as much as it saves, or with the policy's risk where that is smaller.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.replacement import age_replacement, time_in_service

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
DAYS_PER_YEAR = 365.25
_MOST_NOTICE = 365.0
_MOST_EARLY = 365.0
_EARLY_OF_LIFE = 0.25  # most of the mean life at a site by which swaps are brought forward: a visit may reach twice as far
_USUAL_NOTICE = 60.0
_LEAST_ACCEPTED = 0.001
_NEAR, _FEWEST_NEAR = 0.25, 5  # sensors of a kind that tell how well an end that is near is known
# Measured in the worlds of known truth of tests/decide/judge.py, in which the plan is renewed at every visit:
_MISSED = 0.25  # soft ends that come before their swap, as a part of the chance accepted for one interval
_EARLY = 0.40  # by how much swaps are brought forward to leave out a visit, as a part of the best period of joint replacement
_LOOKS = 0.55  # errors of the date by which repeated looks at a noisy forecast bring the swap forward


class Foresight(NamedTuple):
    """Of each kind of new sensor (k,), and each site (s,).

    notice: (k,) days by which a swap comes before the soft end that it forestalls, beyond the wait for the visit.
    missed: (k,) part of the soft ends that come before their swap. early: (s,) days by which swaps are brought forward
    so that a visit can be left out.
    """

    notice: FloatArray
    missed: FloatArray
    early: FloatArray


def foresight(fleet_plan: FleetPlan, kind: IntArray, site: IntArray, price: FloatArray) -> Foresight:
    """From the plan, and kind, site and price (n,) of its positions in service.

    notice = (z + looks) s, with s: error (days) with which a soft end's date is known when it is near (`_date_error`),
    z: normal quantile of the accepted chance. The best period of joint replacement is that of the classical lot size,
    sqrt(2 visit cost / (swaps per day x cost per day of an early swap)); sudden ends come as often in a new sensor, so
    that an early swap costs nothing for them.
    """
    fresh, policy = fleet_plan.fresh, fleet_plan.policy
    count, sites = len(fresh.kinds), fleet_plan.ahead.sites
    cost = np.full(count, policy.unit_cost_default)
    np.maximum.at(cost, kind, price)
    cost += policy.swap_cost
    rate = age_replacement(fresh.grid_days, fresh.total, cost, cost + policy.failure_cost).rate
    life = np.maximum(time_in_service(fresh.grid_days, fresh.total)[:, -1], 1.0)
    gap = np.array([one.days[1] - one.days[0] for one in sites])
    sudden = fresh.sudden[:, -1] / life
    waiting = (rate / max(policy.failure_cost, 1e-9) - sudden) * float(gap.mean())
    accepted = np.clip(waiting, _LEAST_ACCEPTED, policy.risk)
    worn = np.maximum(rate - policy.failure_cost * sudden, 0.0)
    lost = np.zeros(len(sites))
    np.add.at(lost, site, worn[kind] / life[kind])
    joint = np.sqrt(2.0 * np.array([one.cost for one in sites]) / np.maximum(lost, 1e-12))
    notice = (ndtri(1.0 - accepted) + _LOOKS) * _date_error(fleet_plan.forecast, fleet_plan.facts.in_service, kind, count)
    there = np.bincount(site, life[kind], len(sites)) / np.maximum(np.bincount(site, minlength=len(sites)), 1)
    most = np.minimum(_MOST_EARLY, _EARLY_OF_LIFE * there)
    return Foresight(np.clip(notice, 0.0, _MOST_NOTICE), _MISSED * accepted, np.minimum(_EARLY * joint, most))


def _date_error(forecast: pd.DataFrame, in_service: NDArray[np.bool_], kind: IntArray, count: int) -> FloatArray:
    """Error (k,) in days with which the date of a soft end will be known when it is near.

    Of each kind the median over the sensors that are nearest to their end (a quarter of them, five at least): they have
    been read for as long, and age as fast, as those that will be swapped. Spread of the headroom now over ageing rate.
    """
    usual = np.full(count, _USUAL_NOTICE / ndtri(0.95))
    if not {"headroom_ratio_p05", "headroom_ratio_p95", "ageing_per_year"} <= set(forecast.columns):
        return usual
    table = forecast[in_service]
    rate = -table["ageing_per_year"].to_numpy(dtype=float)
    low, high = (np.log(table[f"headroom_ratio_{name}"].to_numpy(dtype=float)) for name in ("p05", "p95"))
    with np.errstate(divide="ignore", invalid="ignore"):
        days = np.where(rate > 0, (high - low) / (2.0 * ndtri(0.95)) / rate * DAYS_PER_YEAR, np.nan)
        left = pd.Series(np.where(np.isfinite(days), 0.5 * (high + low) / rate, np.nan))
    ranks = left.groupby(kind).rank(method="first").to_numpy()
    near = ranks <= np.maximum(_NEAR * left.groupby(kind).transform("count").to_numpy(), _FEWEST_NEAR)
    medians = pd.Series(days[near]).groupby(kind[near]).median()
    usual[medians.index] = medians
    return usual
