"""Policies side by side on the same fleet: money, failures in service, wasted life."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from sensorhealth.decide.budget import replacing, visit_costs
from sensorhealth.decide.flows import wasted_days
from sensorhealth.decide.newlives import LifeTable
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.policy import SCHEMES, Policy
from sensorhealth.decide.positions import chunks
from sensorhealth.decide.tally import LEVELS, Tally

Draws = Iterable[LifeTable] | None


def compare_schemes(fleet_plan: FleetPlan, *, shared_draws: Draws = None) -> pd.DataFrame:
    """Swaps by forecast, by the calendar, and at failure, over the months of the budget (rows: see `outcome`)."""
    draws = None if shared_draws is None else list(shared_draws)
    return pd.DataFrame([outcome(fleet_plan, scheme, draws, scheme) for scheme in SCHEMES])


def compare_policies(
    fleet_plan: FleetPlan,
    first: Policy,
    second: Policy,
    *,
    shared_draws: Draws = None,
) -> pd.DataFrame:
    """What if: two policies on the same fleet and forecasts, one row each (see `outcome`). Raises PolicyError."""
    draws = None if shared_draws is None else list(shared_draws)
    return pd.DataFrame(
        [outcome(fleet_plan.under(policy), policy.scheme, draws, name) for name, policy in (("first", first), ("second", second))]
    )


def outcome(fleet_plan: FleetPlan, scheme: str, shared_draws: list[LifeTable] | None, name: str) -> dict[str, object]:
    """What one policy leads to over the months of its budget.

    policy: `name`. scheme. months. expected_cost, p10_cost, p50_cost, p90_cost (currency): sensors, swaps, visits and
    ends in service. visit_cost: of these, for visits. expected_count, p10_count, p50_count, p90_count: replacements.
    failures_in_service: expected ends in service. planned_swaps: expected. wasted_life_days: life thrown away by
    planned swaps of the sensors in service now, expected, all together. over_risk: sensors whose accepted risk is not
    kept.
    """
    ready = replacing(fleet_plan, scheme)
    table = fleet_plan.remaining
    size = ready.where.row.size
    tally = Tally(ready, fleet_plan.policy, np.zeros(size, dtype=np.intp), 1)
    for drawn in shared_draws or [table]:
        tally.add(ready.expected(drawn))
    visits = visit_costs(fleet_plan, ready, table, np.zeros(size, dtype=np.intp), 1)
    last = tally.table(["all"], visits).iloc[-1]
    planned = failed = wasted = 0.0
    for _, flow in ready.expected(table).blocks:
        planned += float(flow.planned.sum())
        failed += float(flow.failed.sum())
    for rows in chunks(np.arange(size)):
        wasted += float(wasted_days(table, ready.where, rows, ready.fresh, ready.rule, ready.calendar.edges).sum())
    result: dict[str, object] = {"policy": name, "scheme": scheme, "months": fleet_plan.policy.budget_months}
    for what in ("cost", "count"):
        result |= {f"{part}_{what}": last[f"cumulative_{part}_{what}"] for part in ("expected", *LEVELS)}
    return result | {
        "visit_cost": float(visits.sum()),
        "failures_in_service": failed,
        "planned_swaps": planned,
        "wasted_life_days": wasted,
        "over_risk": int(fleet_plan.actions["over_risk"].sum()),
    }
