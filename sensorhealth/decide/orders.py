"""What to order, how many, and when: by kind of sensor, from the distribution of the replacements to come.

Orders of one kind are placed every `order_interval_days` and raise the stock, on hand and on order, to the smallest
number that covers all replacements until the next order's delivery with the wanted chance (periodic review, order up
to). A spare ages on the shelf: the stock is not raised past the number that pays against the spares that would pass
their shelf life unused, by the newsvendor rule with the price of a spare lost against a visit more for one that is
missing.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.budget import Replacing, replacing
from sensorhealth.decide.counts import poisson_binomial, refined_normal_cdf
from sensorhealth.decide.flows import flows
from sensorhealth.decide.newlives import FloatArray
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.positions import chunks
from sensorhealth.decide.stock import cover, newsvendor
from sensorhealth.decide.texts import codes

IntArray = NDArray[np.intp]
_EXACT = 4_000
COLUMNS = (
    "order_by", "needed_by", "technology", "gas", "model", "quantity", "expected_demand", "unit_cost", "cost",
    "reorder_point", "reason",
)  # fmt: skip


class _Kind(NamedTuple):
    """One kind and model of sensor, its positions, and the policy's values for it."""

    technology: str
    gas: str
    model: str
    rows: IntArray
    price: float
    lead: float
    shelf: float
    on_hand: int


def orders(fleet_plan: FleetPlan) -> pd.DataFrame:
    """The order list over the planning window (columns: nomenclature orders), by date.

    Only what is to be ordered is listed. An order by the as-of date may be needed before it can arrive; its reason
    says so.
    """
    policy = fleet_plan.policy
    interval = float(policy.order_interval_days)
    reviews = np.arange(0.0, float(policy.planning_days), interval)
    base = replacing(fleet_plan)
    rows: list[dict[str, object]] = []
    for kind in _kinds(fleet_plan, base):
        windows = np.concatenate([reviews, reviews + kind.lead, reviews + kind.lead + interval,
                                  reviews + kind.lead + kind.shelf])  # fmt: skip
        edges = np.unique(np.append(windows, 0.0))
        chances = _chances(fleet_plan, replacing(fleet_plan, edges=edges), kind.rows)
        rows += _order_kind(fleet_plan, policy, kind, reviews, edges, chances)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    table = table.sort_values(["order_by", "technology", "gas"], kind="stable").reset_index(drop=True)
    types = dict.fromkeys(("order_by", "needed_by"), "datetime64[ns]") | dict.fromkeys(("quantity", "reorder_point"), "int64")
    return table.astype(types | dict.fromkeys(("expected_demand", "unit_cost", "cost"), "float64"))


def _kinds(fleet_plan: FleetPlan, base: Replacing) -> list[_Kind]:
    """The kinds and models of sensor in service; the stock of a kind is counted for its first model."""
    policy = fleet_plan.policy
    found = []
    seen: set[int] = set()
    where = base.where
    names, code = codes(where.model)
    for number, model in np.unique(np.column_stack([where.kind, code]), axis=0):
        name = base.fresh.kinds[number]
        rows = np.flatnonzero((where.kind == number) & (code == model))
        technology, _, gas = name.rpartition(" ")
        shelf = float(policy.of_kind(name, "shelf_life_days"))
        fresh_enough = float(policy.of_kind(name, "stock_age_days")) < shelf
        on_hand = int(policy.of_kind(name, "stock_on_hand")) if fresh_enough and number not in seen else 0
        seen.add(number)
        found.append(
            _Kind(
                technology,
                gas,
                names[model],
                rows,
                float(np.median(where.unit_cost[rows])),
                float(policy.of_kind(name, "lead_time_days")),
                shelf,
                on_hand,
            )
        )
    return found


def _chances(fleet_plan: FleetPlan, ready: Replacing, rows: IntArray) -> FloatArray:
    """Expected replacements (n, m) of the positions of one kind between the edges."""
    parts = [
        flows(fleet_plan.remaining, ready.where, part, ready.fresh, ready.rule, ready.calendar.edges, ready.then)
        for part in chunks(rows)
    ]
    return np.concatenate([part.planned + part.failed for part in parts])


def demand_distribution(chances: FloatArray) -> FloatArray:
    """Distribution (k,) of the number of replacements of positions with `chances` (n,), each counted once at most."""
    chances = np.clip(chances, 0.0, 1.0)
    if chances.size <= _EXACT:
        return poisson_binomial(chances)
    variance = chances * (1.0 - chances)
    top = int(np.ceil(chances.sum() + 12.0 * np.sqrt(variance.sum()) + 12.0))
    cdf = refined_normal_cdf(np.arange(top + 1), chances.sum(), variance.sum(), (variance * (1 - 2 * chances)).sum())
    return np.diff(np.maximum.accumulate(cdf), prepend=0.0)


def _order_kind(
    fleet_plan: FleetPlan, policy: Policy, kind: _Kind, reviews: FloatArray, edges: FloatArray, chances: FloatArray
) -> list[dict[str, object]]:
    """The orders of one kind, one per review on which something is to be ordered."""
    summed = np.concatenate([np.zeros((chances.shape[0], 1)), np.cumsum(chances, axis=1)], axis=1)

    def between(start: float, end: float) -> FloatArray:
        return summed[:, np.searchsorted(edges, end)] - summed[:, np.searchsorted(edges, start)]

    position = float(kind.on_hand)
    found = []
    interval = float(policy.order_interval_days)
    for number, day in enumerate(reviews):
        if number:
            position -= between(reviews[number - 1], day).sum()
        arrives = day + kind.lead
        wanted = cover(demand_distribution(between(day, arrives + interval)), policy.service_level)
        shelf = demand_distribution(between(day, arrives + kind.shelf))
        kept = int(newsvendor(shelf, kind.price, policy.visit_cost).quantity)
        quantity = int(np.floor(min(wanted, kept) - position + 0.5))  # later positions are expectations, not whole numbers
        if quantity <= 0:
            continue
        position += quantity
        order_by = fleet_plan.facts.as_of + np.timedelta64(int(day), "D")
        until = fleet_plan.facts.as_of + np.timedelta64(int(arrives + interval), "D")
        reason = f"Covers the replacements until {until} with {100 * policy.service_level:g} % chance"
        reason += "; held down by the shelf life." if kept < wanted else "."
        soonest = between(0.0, kind.lead).sum() - kind.on_hand
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
                "expected_demand": between(day, arrives + interval).sum(),
                "unit_cost": kind.price,
                "cost": quantity * kind.price,
                "reorder_point": cover(demand_distribution(between(day, arrives)), policy.service_level),
                "reason": reason,
            }
        )
    return found
