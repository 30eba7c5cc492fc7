"""What to order, how many, and when: by kind of sensor, from the distribution of the replacements to come.

Orders of one kind are placed every `order_interval_days` and raise the stock, on hand and on order, to the smallest
number that covers all replacements until the next order's delivery with the wanted chance (periodic review, order up
to). A spare ages on the shelf: the stock is not raised past the number that pays, by the newsvendor rule. One spare too
many passes its shelf life unused, and its price is lost; one too few costs a visit more, less the part of its life
that a spare loses while it waits. A spare that is more likely used within its shelf life than not is kept anyway.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.budget import CHECKED, Replacing, replacing, visits_drawn
from sensorhealth.decide.counts import count_distribution, refined_normal_cdf
from sensorhealth.decide.newlives import FloatArray
from sensorhealth.decide.parts import WALKED, of_part, part_by_place
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.positions import Known, Positions
from sensorhealth.decide.replacement import time_in_service
from sensorhealth.decide.stock import cover, newsvendor
from sensorhealth.decide.texts import codes
from sensorhealth.decide.worlds import MOST, expected_in_each

IntArray = NDArray[np.intp]
_EXACT = 500  # most positions of one kind whose demand is found exactly
_PATTERNS = 20  # draws of the visits that are made
COLUMNS = (
    "order_by", "needed_by", "technology", "gas", "model", "quantity", "expected_demand", "unit_cost", "cost",
    "reorder_point", "reason",
)  # fmt: skip


class _Kind(NamedTuple):
    """One kind and model of sensor, its positions, and the policy's values for it.

    waiting: what a spare that is used at last loses on the shelf, as a part of its price: half its shelf life, aged at the
    policy's rate, as a part of a mean life.
    """

    technology: str
    gas: str
    model: str
    rows: IntArray
    lead: float
    shelf: float
    waiting: float
    on_hand: int


@dataclass(frozen=True)
class Demand:
    """What is demanded of one kind and model, in windows w of time (4 for each review).

    size: its positions; price, count (p,): their prices and how many have each. moments (patterns, 3, w): mean, variance and
    third central moment of the replacements under each pattern of visits; exact: their distributions (w, k) where positions
    are few.
    """

    kind: _Kind
    size: int
    price: FloatArray
    count: IntArray
    moments: FloatArray
    exact: list[FloatArray]

    @property
    def median_price(self) -> float:
        """Of a new sensor."""
        return float(np.median(np.repeat(self.price, self.count)))


def orders(fleet_plan: FleetPlan) -> pd.DataFrame:
    """The order list over the planning window (columns: nomenclature orders), by date.

    Only what is to be ordered is listed. An order by the as-of date may be needed before it can arrive; its reason
    says so. Demand is mixed over draws of the visits that are made: which they are moves all swaps of a site at once.
    """
    return orders_table(demands(fleet_plan), fleet_plan.policy, fleet_plan.facts.as_of)


def orders_table(told: list[Demand], policy: Policy, as_of: np.datetime64) -> pd.DataFrame:
    """The order list (see `orders`) from what is demanded of each kind and model."""
    reviews = _reviews(policy)
    rows: list[dict[str, object]] = []
    for demand in told:
        rows += _order_kind(as_of, policy, demand, reviews)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    table = table.sort_values(["order_by", "technology", "gas"], kind="stable").reset_index(drop=True)
    types = dict.fromkeys(("order_by", "needed_by"), "datetime64[ns]") | dict.fromkeys(("quantity", "reorder_point"), "int64")
    return table.astype(types | dict.fromkeys(("expected_demand", "unit_cost", "cost"), "float64"))


def _reviews(policy: Policy) -> FloatArray:
    """Days (r,) on which orders are placed."""
    return np.arange(0.0, float(policy.planning_days), float(policy.order_interval_days))


def _windows(lead: float, shelf: float, reviews: FloatArray, interval: float) -> FloatArray:
    """Start and end (4, r, 2) of the windows of demand that matter at each review.

    Until the next order arrives, until the spares pass their shelf life, until this order arrives, until the next review.
    """
    spans = (lead + interval, lead + shelf, lead, interval)
    return np.array([np.stack([reviews, reviews + span], axis=1) for span in spans])


def demands(fleet_plan: FleetPlan, walked: int = WALKED, shard: int | None = None, known: Known | None = None) -> list[Demand]:
    """What is demanded of each kind and model; where positions are many, patterns of visits are walked through with a part.

    walked: positions that this part is to have; shard: number of the part of a larger fleet that this is, None for the whole;
    known: as in `budget.replacing`.
    """
    known = known or Known.of(fleet_plan)
    policy, where = fleet_plan.policy, known.where
    reviews = _reviews(policy)
    kinds = _kinds(fleet_plan, where)
    windows = [_windows(kind.lead, kind.shelf, reviews, float(policy.order_interval_days)) for kind in kinds]
    edges = np.unique(np.concatenate([np.zeros(1), reviews, *(window.ravel() for window in windows)]))
    ready = replacing(fleet_plan, edges=edges, known=known)
    drawing = visits_drawn(shard)
    few = np.zeros(where.row.size, dtype=bool)
    for kind in kinds:
        few[kind.rows] = kind.rows.size <= _EXACT
    part = part_by_place(where, few, walked)
    rows = np.arange(where.row.size) if part is None else part.rows
    weight = np.ones(rows.size) if part is None else part.weight
    places = [np.flatnonzero(np.isin(rows, kind.rows)) for kind in kinds]
    at = [np.searchsorted(edges, window.reshape(-1, 2)) for window in windows]
    moments: list[list[FloatArray]] = [[] for _ in kinds]
    exact: list[list[FloatArray]] = [[] for _ in kinds]
    lacking = [np.zeros(ends.shape[0]) for ends in at]
    worlds = [drawing(ready)[0] for _ in range(_PATTERNS)]
    walking = _summed(worlds if part is None else [of_part(world, part.rows, part.row) for world in worlds], fleet_plan)
    for pattern, summed in enumerate(walking):
        every = next(_summed(worlds[pattern : pattern + 1], fleet_plan)) if part is not None and pattern < CHECKED else None
        for number, kind in enumerate(kinds):
            start, end = at[number].T
            chances = np.clip(summed[places[number]][:, end] - summed[places[number]][:, start], 0.0, 1.0)
            moments[number].append(_moments(chances, None if part is None else weight[places[number]]))
            if kind.rows.size <= _EXACT:
                exact[number].append(count_distribution(chances[None], chances.shape[0]))
            if every is not None:
                whole = np.clip(every[kind.rows][:, end] - every[kind.rows][:, start], 0.0, 1.0).sum(axis=0)
                lacking[number] += (whole - moments[number][-1][0]) / CHECKED
    return [
        Demand(kind, kind.rows.size, *_prices(where.unit_cost[kind.rows]), _put_right(np.stack(sums), lack), told)
        for kind, sums, lack, told in zip(kinds, moments, lacking, exact)
    ]


def _summed(worlds: Sequence[Replacing], fleet_plan: FleetPlan) -> Iterator[FloatArray]:
    """Expected replacements (n, m + 1) of each position up to each edge, in each world."""
    size = max(MOST // max(worlds[0].where.row.size, 1), 1)
    for begin in range(0, len(worlds), size):
        some = worlds[begin : begin + size]
        for expected in expected_in_each(some, [fleet_plan.remaining] * len(some)):
            found = np.concatenate([np.cumsum(flow.planned + flow.failed, axis=1) for _, flow in expected.blocks])
            yield np.concatenate([np.zeros((len(found), 1)), found], axis=1)


def _moments(chances: FloatArray, weight: FloatArray | None) -> FloatArray:
    """Mean, variance and third central moment (3, w) of the number replaced, by the chance (n, w) of each position."""
    variance = chances * (1.0 - chances)
    third = variance * (1.0 - 2.0 * chances)
    if weight is None:
        return np.stack([part.sum(axis=0) for part in (chances, variance, third)])
    return np.stack([weight @ part for part in (chances, variance, third)])


def _put_right(moments: FloatArray, lacking: FloatArray) -> FloatArray:
    """Moments (p, 3, w) with what the part of the positions lacks in the mean (w,); spread grows along with it."""
    if not lacking.any():
        return moments
    mean = np.maximum(moments[:, 0] + lacking, 0.0)
    return moments * np.clip(mean / np.maximum(moments[:, 0], 1e-9), 0.5, 2.0)[:, None]


def _prices(unit_cost: FloatArray) -> tuple[FloatArray, IntArray]:
    price, count = np.unique(unit_cost, return_counts=True)
    return price, count.astype(np.intp)


def _distribution(demand: Demand) -> FloatArray:
    """Distribution (w, k) of the replacements in each window, mixed over the visits drawn."""
    if demand.exact:
        drawn = [(np.zeros(len(part), dtype=np.intp), part) for part in demand.exact]
    else:
        drawn = [_from_moments(*moments) for moments in demand.moments]
    found = np.zeros((demand.moments.shape[2], max(int(low.max()) + part.shape[1] for low, part in drawn)))
    for low, part in drawn:
        for window, begin in enumerate(low.tolist()):
            found[window, begin : begin + part.shape[1]] += part[window] / len(drawn)
    return found


def together(told: list[list[Demand]]) -> list[Demand]:
    """What is demanded over the shards of a fleet, by kind and model."""
    by_name: dict[tuple[str, str, str], list[Demand]] = {}
    for shard in told:
        for demand in shard:
            by_name.setdefault((demand.kind.technology, demand.kind.gas, demand.kind.model), []).append(demand)
    return [_one(by_name[name]) for name in sorted(by_name)]


def _one(parts: list[Demand]) -> Demand:
    size = sum(part.size for part in parts)
    value, code = np.unique(np.concatenate([part.price for part in parts]), return_inverse=True)
    count = np.bincount(code, np.concatenate([part.count for part in parts]), value.size).astype(np.intp)
    exact = [_convolved([part.exact[k] for part in parts]) for k in range(_PATTERNS)] if size <= _EXACT else []
    on_hand = max(part.kind.on_hand for part in parts)
    kind = parts[0].kind._replace(on_hand=on_hand)
    return Demand(kind, size, value, count, np.sum([part.moments for part in parts], axis=0), exact)


def _convolved(parts: list[FloatArray]) -> FloatArray:
    """Distribution (w, k) of sums of independent counts."""
    found = parts[0]
    for part in parts[1:]:
        found = np.stack([np.convolve(one, other) for one, other in zip(found, part)])
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
        lead = float(policy.of_kind(name, "lead_time_days"))
        waiting = policy.shelf_ageing * 0.5 * shelf / life[number]
        found.append(_Kind(technology, gas, names[model], rows, lead, shelf, waiting, on_hand))
    return found


def _from_moments(mean: FloatArray, variance: FloatArray, third: FloatArray) -> tuple[IntArray, FloatArray]:
    """Distribution of a count of many positions, by its mean, variance and third central moment (m,): the least count (m,) that
    is likely at all, and the chances (m, k) from there on."""
    reach = 12.0 * np.sqrt(variance)
    low = np.maximum(np.floor(mean - reach), 0.0).astype(np.intp)
    size = int((np.ceil(mean + reach + 12.0) - low).max()) + 1
    cdf = refined_normal_cdf(low[:, None] + np.arange(size), mean[:, None], variance[:, None], third[:, None])
    return low, np.diff(np.maximum.accumulate(cdf, axis=1), axis=1, prepend=0.0)


def _order_kind(as_of: np.datetime64, policy: Policy, told: Demand, reviews: FloatArray) -> list[dict[str, object]]:
    """The orders of one kind, one per review on which something is to be ordered."""
    kind, price = told.kind, told.median_price
    demand = _distribution(told).reshape(4, reviews.size, -1)
    waiting = price * kind.waiting
    expected = demand @ np.arange(demand.shape[2])
    position = float(kind.on_hand)
    found = []
    interval = float(policy.order_interval_days)
    for number, day in enumerate(reviews):
        if number:
            position -= expected[3, number - 1]
        arrives = day + kind.lead
        wanted = cover(demand[0, number], policy.service_level)
        shortage = max(policy.visit_cost - waiting, price)  # at least one to one: more likely used than not
        kept = int(newsvendor(demand[1, number], price, shortage).quantity)
        quantity = int(np.floor(min(wanted, kept) - position + 0.5))  # later positions are expectations, not whole numbers
        if quantity <= 0:
            continue
        position += quantity
        order_by = as_of + np.timedelta64(int(day), "D")
        until = as_of + np.timedelta64(int(arrives + interval), "D")
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
                "unit_cost": price,
                "cost": quantity * price,
                "reorder_point": cover(demand[2, number], policy.service_level),
                "reason": reason,
            }
        )
    return found
