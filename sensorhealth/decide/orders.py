"""What to order, how many, and when: by kind of sensor, from the distribution of the replacements to come.

Orders of one kind are placed every `order_interval_days` and raise the stock, on hand and on order, to the smallest
number that covers all replacements until the next order's delivery with the wanted chance (periodic review, order up
to). A spare ages on the shelf: the stock is not raised past the number that pays, by the newsvendor rule. One spare too
many passes its shelf life unused, and its price is lost; one too few costs a visit more, less the part of its life
that a spare loses while it waits. A spare that is more likely used within its shelf life than not is kept anyway.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.budget import VISITS_SEED, replacing
from sensorhealth.decide.counts import count_distribution, refined_normal_cdf
from sensorhealth.decide.newlives import FloatArray
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.positions import Positions, positions
from sensorhealth.decide.replacement import time_in_service
from sensorhealth.decide.stock import cover, newsvendor
from sensorhealth.decide.texts import codes

IntArray = NDArray[np.intp]
_EXACT = 500  # most positions of one kind whose demand is found exactly
_PATTERNS = 20  # draws of the visits that are made
COLUMNS = (
    "order_by", "needed_by", "technology", "gas", "model", "quantity", "expected_demand", "unit_cost", "cost",
    "reorder_point", "reason",
)  # fmt: skip


class _Kind(NamedTuple):
    """One kind and model of sensor, its positions, and the policy's values for it.

    waiting: what a spare that is used at last loses on the shelf: half its shelf life, aged at the policy's rate, as a
    part of a mean life, of its price (currency).
    """

    technology: str
    gas: str
    model: str
    rows: IntArray
    price: float
    lead: float
    shelf: float
    waiting: float
    on_hand: int


def orders(fleet_plan: FleetPlan) -> pd.DataFrame:
    """The order list over the planning window (columns: nomenclature orders), by date.

    Only what is to be ordered is listed. An order by the as-of date may be needed before it can arrive; its reason
    says so. Demand is mixed over draws of the visits that are made: which they are moves all swaps of a site at once.
    """
    policy = fleet_plan.policy
    interval = float(policy.order_interval_days)
    reviews = np.arange(0.0, float(policy.planning_days), interval)
    kinds = _kinds(fleet_plan, positions(fleet_plan))
    windows = [_windows(kind, reviews, interval) for kind in kinds]
    edges = np.unique(np.concatenate([np.zeros(1), reviews, *(window.ravel() for window in windows)]))
    rows: list[dict[str, object]] = []
    for kind, demand in zip(kinds, _demands(fleet_plan, kinds, windows, edges)):
        rows += _order_kind(fleet_plan, policy, kind, reviews, demand)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    table = table.sort_values(["order_by", "technology", "gas"], kind="stable").reset_index(drop=True)
    types = dict.fromkeys(("order_by", "needed_by"), "datetime64[ns]") | dict.fromkeys(("quantity", "reorder_point"), "int64")
    return table.astype(types | dict.fromkeys(("expected_demand", "unit_cost", "cost"), "float64"))


def _windows(kind: _Kind, reviews: FloatArray, interval: float) -> FloatArray:
    """Start and end (4, r, 2) of the windows of demand that matter at each review.

    Until the next order arrives, until the spares pass their shelf life, until this order arrives, until the next review.
    """
    spans = (kind.lead + interval, kind.lead + kind.shelf, kind.lead, interval)
    return np.array([np.stack([reviews, reviews + span], axis=1) for span in spans])


def _demands(fleet_plan: FleetPlan, kinds: list[_Kind], windows: list[FloatArray], edges: FloatArray) -> list[FloatArray]:
    """Distribution (4, r, k) of the replacements of each kind in its windows, mixed over the visits drawn."""
    ready = replacing(fleet_plan, edges=edges)
    rng = np.random.default_rng(VISITS_SEED)
    found = [np.zeros((4, window.shape[1], 1)) for window in windows]
    for _ in range(_PATTERNS):
        expected = ready.on_drawn_visits(rng)[0].expected(fleet_plan.remaining)
        summed = np.concatenate([np.cumsum(flow.planned + flow.failed, axis=1) for _, flow in expected.blocks])
        summed = np.concatenate([np.zeros((len(summed), 1)), summed], axis=1)
        for number, (kind, window) in enumerate(zip(kinds, windows)):
            start, end = np.searchsorted(edges, window[..., 0].ravel()), np.searchsorted(edges, window[..., 1].ravel())
            drawn = demand_distribution(summed[kind.rows][:, end] - summed[kind.rows][:, start])
            size = max(drawn.shape[1], found[number].shape[2])
            total = np.zeros((4, window.shape[1], size))
            total[..., : found[number].shape[2]] += found[number]
            total[..., : drawn.shape[1]] += drawn.reshape(4, window.shape[1], -1) / _PATTERNS
            found[number] = total
    return found


def _kinds(fleet_plan: FleetPlan, where: Positions) -> list[_Kind]:
    """The kinds and models of sensor in service; the stock of a kind is counted for its first model."""
    policy = fleet_plan.policy
    found = []
    seen: set[int] = set()
    fresh = fleet_plan.fresh
    life = np.maximum(time_in_service(fresh.grid_days, fresh.total)[:, -1], 1.0)
    names, code = codes(where.model)
    for number, model in np.unique(np.column_stack([where.kind, code]), axis=0):
        name = fleet_plan.fresh.kinds[number]
        rows = np.flatnonzero((where.kind == number) & (code == model))
        technology, _, gas = name.rpartition(" ")
        shelf = float(policy.of_kind(name, "shelf_life_days"))
        fresh_enough = float(policy.of_kind(name, "stock_age_days")) < shelf
        on_hand = int(policy.of_kind(name, "stock_on_hand")) if fresh_enough and number not in seen else 0
        seen.add(number)
        price, lead = float(np.median(where.unit_cost[rows])), float(policy.of_kind(name, "lead_time_days"))
        waiting = price * policy.shelf_ageing * 0.5 * shelf / life[number]
        found.append(_Kind(technology, gas, names[model], rows, price, lead, shelf, waiting, on_hand))
    return found


def demand_distribution(chances: FloatArray) -> FloatArray:
    """Distribution (m, k) of how many of the positions with `chances` (n, m) are replaced, each counted once at most."""
    chances = np.clip(chances, 0.0, 1.0)
    if chances.shape[0] <= _EXACT:
        return count_distribution(chances[None], chances.shape[0])
    variance = chances * (1.0 - chances)
    third = (variance * (1.0 - 2.0 * chances)).sum(axis=0)
    mean, variance = chances.sum(axis=0), variance.sum(axis=0)
    top = int(np.ceil((mean + 12.0 * np.sqrt(variance)).max() + 12.0))
    cdf = refined_normal_cdf(np.arange(top + 1), mean[:, None], variance[:, None], third[:, None])
    return np.diff(np.maximum.accumulate(cdf, axis=1), axis=1, prepend=0.0)


def _order_kind(
    fleet_plan: FleetPlan, policy: Policy, kind: _Kind, reviews: FloatArray, demand: FloatArray
) -> list[dict[str, object]]:
    """The orders of one kind, one per review on which something is to be ordered; demand: as from `_demands`."""
    expected = demand @ np.arange(demand.shape[2])
    position = float(kind.on_hand)
    found = []
    interval = float(policy.order_interval_days)
    for number, day in enumerate(reviews):
        if number:
            position -= expected[3, number - 1]
        arrives = day + kind.lead
        wanted = cover(demand[0, number], policy.service_level)
        shortage = max(policy.visit_cost - kind.waiting, kind.price)  # at least one to one: more likely used than not
        kept = int(newsvendor(demand[1, number], kind.price, shortage).quantity)
        quantity = int(np.floor(min(wanted, kept) - position + 0.5))  # later positions are expectations, not whole numbers
        if quantity <= 0:
            continue
        position += quantity
        order_by = fleet_plan.facts.as_of + np.timedelta64(int(day), "D")
        until = fleet_plan.facts.as_of + np.timedelta64(int(arrives + interval), "D")
        level = f"the replacements until {until} with {100 * policy.service_level:g} % chance"
        reason = f"Covers {level}."
        if kept < wanted:
            reason = f"To cover {level} more would be needed, but they would more likely pass their shelf life than be used."
        soonest = expected[2, 0] - kind.on_hand
        if number == 0 and soonest >= 0.5:
            needed = "1 is" if round(soonest) == 1 else f"{soonest:.0f} are"
            reason += f" About {needed} needed before it can arrive: ask for a quicker delivery."
        found.append(
            {
                "order_by": order_by,
                "needed_by": order_by + np.timedelta64(int(kind.lead), "D"),
                "technology": kind.technology,
                "gas": kind.gas,
                "model": kind.model,
                "quantity": quantity,
                "expected_demand": expected[0, number],
                "unit_cost": kind.price,
                "cost": quantity * kind.price,
                "reorder_point": cover(demand[2, number], policy.service_level),
                "reason": reason,
            }
        )
    return found
