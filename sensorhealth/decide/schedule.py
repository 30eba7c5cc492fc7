"""Which swap on which visit of one site: a mixed-integer program, and a stepwise plan for very large sites.

Costs: value[i, k] of swapping sensor i on visit k (see `replacement.swap_value`), `later[i]` of leaving it past the
planning window, and the cost of each visit on which anything is swapped. latest[i] is the last visit that keeps the
accepted risk; a sensor is planned past it only where the capacity leaves no room, at a penalty, and is then named.
Only the visits are integer variables: with them fixed, what is left is a transportation problem, whose corner
solutions are whole (Dantzig 1951).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
_PRICINGS = 100
MOST_GONE_THROUGH = 8  # visits, all sets of which are gone through in less time than a program takes
IntArray = NDArray[np.intp]


@dataclass(frozen=True)
class SitePlan:
    """The plan of one site.

    visit: (n,) visit of each sensor, k = past the window. cost: of the plan (currency, as the sum of values and
    visits). gap: how much at most it could be cheaper (currency). method: "exact", "time limit" (best so far) or
    "stepwise".
    """

    visit: IntArray
    cost: float
    gap: float
    method: str


def schedule(
    value: FloatArray,
    later: FloatArray,
    latest: IntArray,
    capacity: int,
    visit_cost: float,
    penalty: float,
    *,
    seconds: float,
) -> SitePlan:
    """Plan the swaps of one site.

    value: (n, k), later: (n,) costs. latest: (n,) in 0..k, k = no visit has to be used. capacity: most swaps per
    visit, 0 = not limited. penalty: cost of one sensor one visit past its latest. seconds: time limit of the exact
    plan; the stepwise plan is used where none is left.
    """
    count, visits = value.shape
    cost = np.column_stack([value, later])
    over = np.maximum(np.arange(visits + 1)[None, :] - latest[:, None], 0)
    cost = cost + penalty * over
    active = np.flatnonzero((latest < visits) | (value.min(axis=1, initial=np.inf) < later))
    chosen = np.full(count, visits, dtype=np.intp)
    idle = float(later.sum() - later[active].sum())
    if active.size == 0:
        return SitePlan(chosen, idle, 0.0, "exact")
    plan = _exact(cost[active], capacity, visit_cost, seconds) if seconds > 0 else None
    if plan is None or plan.method != "exact":
        plan = _better(plan, _stepwise(cost[active], capacity, visit_cost))
    chosen[active] = plan.visit
    return SitePlan(chosen, plan.cost + idle, plan.gap, plan.method)


def _better(stopped: SitePlan | None, steps: SitePlan) -> SitePlan:
    """The cheaper of the plan at the time limit, if any, and the stepwise one, with the better of their bounds."""
    if stopped is None:
        return steps
    best = stopped if stopped.cost <= steps.cost else steps
    bound = max(stopped.cost - stopped.gap, steps.cost - steps.gap)
    return SitePlan(best.visit, best.cost, _gap(best.cost, bound), "time limit")


def _gap(total: float, bound: float) -> float:
    """How much a plan may cost too much at most; nothing where the difference is that of rounding."""
    return total - bound if total - bound > 1e-9 * max(abs(total), 1.0) else 0.0


def plan_cost(cost: FloatArray, visit: IntArray, visit_cost: float) -> float:
    """Cost of a plan: what each sensor costs (n, k + 1) on its visit, and the visits on which anything is swapped."""
    used = np.unique(visit[visit < cost.shape[1] - 1])
    return float(cost[np.arange(visit.size), visit].sum() + visit_cost * used.size)


def _exact(cost: FloatArray, capacity: int, visit_cost: float, seconds: float) -> SitePlan | None:
    """The mixed-integer program, by HiGHS; None where no plan was found within the time limit. With few visits that take any
    number of swaps all sets of visits are gone through."""
    if not capacity and cost.shape[1] - 1 <= MOST_GONE_THROUGH:
        return _any_of(cost, visit_cost)
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import coo_array, csr_array

    count, width = cost.shape
    visits = width - 1
    pairs = count * visits
    size = count * width + visits
    sensor, visit = np.repeat(np.arange(count), visits), np.tile(np.arange(visits), count)
    pair = np.arange(pairs)
    here = sensor * width + visit
    once = coo_array(
        (np.ones(count * width), (np.repeat(np.arange(count), width), np.arange(count * width))), shape=(count, size)
    )
    held = coo_array(
        (np.r_[np.ones(pairs), -np.ones(pairs)], (np.r_[pair, pair], np.r_[here, count * width + visit])),
        shape=(pairs, size),
    )
    constraints = [LinearConstraint(csr_array(once), 1.0, 1.0), LinearConstraint(csr_array(held), -np.inf, 0.0)]
    if capacity:
        room = coo_array(
            (
                np.r_[np.ones(pairs), np.full(visits, -float(capacity))],
                (np.r_[visit, np.arange(visits)], np.r_[here, count * width + np.arange(visits)]),
            ),
            shape=(visits, size),
        )
        constraints.append(LinearConstraint(csr_array(room), -np.inf, 0.0))
    least = cost.min(axis=1, keepdims=True)
    answer = milp(
        np.r_[(cost - least).ravel(), np.full(visits, visit_cost)],
        constraints=constraints,
        integrality=np.r_[np.zeros(count * width), np.ones(visits)],
        bounds=Bounds(0.0, 1.0),
        options={"time_limit": seconds, "mip_rel_gap": 1e-6},
    )
    if answer.x is None:
        return None
    share = answer.x[: count * width].reshape(count, width)
    chosen = share.argmax(axis=1)
    if share.max(axis=1).min() < 1.0 - 1e-6:
        chosen = _whole(cost, answer.x[count * width :] > 0.5, capacity)
    total = plan_cost(cost, chosen, visit_cost)
    bound = float(least.sum()) + float(answer.mip_dual_bound if answer.mip_dual_bound is not None else 0.0)
    return SitePlan(chosen, total, _gap(total, bound), "exact" if answer.status == 0 else "time limit")


def _any_of(cost: FloatArray, visit_cost: float) -> SitePlan:
    """The best plan where visits take any number of swaps: of all sets of visits that may be held the cheapest, each sensor on
    the best of these."""
    width = cost.shape[1]
    plans = []
    for held in itertools.product((False, True), repeat=width - 1):
        open_ = np.flatnonzero([*held, True])
        plans.append((float(cost[:, open_].min(axis=1).sum()) + visit_cost * (open_.size - 1), open_))
    total, open_ = min(plans, key=lambda plan: plan[0])
    chosen = open_[cost[:, open_].argmin(axis=1)]
    return SitePlan(chosen, total, 0.0, "exact")


def _whole(cost: FloatArray, held: NDArray[np.bool_], capacity: int) -> IntArray:
    """Whole assignment of sensors to the visits that are held, as an assignment of sensors to places."""
    from scipy.optimize import linear_sum_assignment

    count, width = cost.shape
    visits = np.flatnonzero(held)
    places = np.repeat(visits, min(capacity, count) if capacity else count)
    places = np.r_[places, np.full(count, width - 1)]
    rows, columns = linear_sum_assignment(cost[:, places])
    chosen = np.empty(count, dtype=np.intp)
    chosen[rows] = places[columns]
    return chosen


def _stepwise(cost: FloatArray, capacity: int, visit_cost: float) -> SitePlan:
    """Each swap on its cheapest visit; full visits hand swaps to the visit before; thin visits are merged.

    The gap is against a bound that counts one visit at most, or where that is better against `_priced_bound`.
    """
    count, width = cost.shape
    chosen = cost.argmin(axis=1)
    bound = float(cost.min(axis=1).sum()) + (visit_cost if (chosen < width - 1).all() and count else 0.0)
    if capacity:
        chosen = _make_room(cost, chosen, capacity)
    for visit in range(width - 2, -1, -1):
        chosen = _merge(cost, chosen, visit, capacity, visit_cost)
    total = plan_cost(cost, chosen, visit_cost)
    if capacity and total > bound:
        bound = max(bound, _priced_bound(cost, capacity, visit_cost, total))
    return SitePlan(chosen, total, _gap(total, bound), "stepwise")


def _priced_bound(cost: FloatArray, capacity: int, visit_cost: float, total: float) -> float:
    """A cost that no plan can go below, where visits are full: each place on a visit has a price, raised where places lack.

    For any prices the sum of every sensor's cheapest visit, price included, less what all places on the visits made
    bring in, is such a bound (Lagrange). The prices are improved by subgradients with steps toward `total`, the cost of
    the plan that is known (Held, Wolfe and Crowder 1974).
    """
    visits = cost.shape[1] - 1
    price = np.zeros(visits)
    best = -np.inf
    part, stalled = 1.0, 0
    for _ in range(_PRICINGS):
        priced = cost + np.append(price, 0.0)
        chosen = priced.argmin(axis=1)
        held = capacity * price > visit_cost
        found = float(priced[np.arange(chosen.size), chosen].sum() + np.minimum(visit_cost - capacity * price, 0.0).sum())
        stalled = 0 if found > best else stalled + 1
        best = max(best, found)
        part = 0.5 * part if stalled and stalled % 5 == 0 else part
        lacking = np.bincount(chosen, minlength=visits + 1)[:visits] - capacity * held
        length = float(lacking @ lacking)
        if length == 0.0 or total - best <= 1e-6 * abs(total):
            break
        price = np.maximum(price + part * (total - found) / length * lacking, 0.0)
    return best


def _make_room(cost: FloatArray, chosen: IntArray, capacity: int) -> IntArray:
    """Move swaps from full visits to earlier ones, and what the first cannot take to later ones."""
    chosen = chosen.copy()
    visits = cost.shape[1] - 1
    order = [
        *((visit, visit - 1) for visit in range(visits - 1, 0, -1)),
        *((visit, visit + 1) for visit in range(visits)),
    ]
    for visit, to in order:
        here = np.flatnonzero(chosen == visit)
        if here.size > capacity:
            extra = cost[here, to] - cost[here, visit]
            moved = here[np.argsort(extra, kind="stable")[: here.size - capacity]]
            chosen[moved] = to
    return chosen


def _merge(cost: FloatArray, chosen: IntArray, visit: int, capacity: int, visit_cost: float) -> IntArray:
    """Give the swaps of one visit to the cheapest other visit that is held, where that saves more than it costs."""
    here = np.flatnonzero(chosen == visit)
    if here.size == 0:
        return chosen
    width = cost.shape[1]
    taken = np.bincount(chosen, minlength=width)
    free = taken > 0
    if capacity:
        free &= taken + here.size <= capacity
    free[width - 1] = True
    free[visit] = False
    extra = np.where(free, cost[here].sum(axis=0) - cost[here, visit].sum(), np.inf)
    to = int(extra.argmin())
    if extra[to] >= visit_cost:
        return chosen
    merged = chosen.copy()
    merged[here] = to
    return merged
