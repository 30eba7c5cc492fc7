"""Policies side by side on the same fleet: money, failures in service, wasted life."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import pandas as pd

from sensorhealth.decide.budget import GROUPS, PATTERNS, Account
from sensorhealth.decide.flows import wasted_days
from sensorhealth.decide.newlives import LifeTable
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.policy import SCHEMES
from sensorhealth.decide.positions import Known, chunks
from sensorhealth.decide.totals import LEVELS
from sensorhealth.decide.worlds import batches
from sensorhealth.nomenclature import columns

Draws = Iterable[LifeTable] | None


class MoneyTables(NamedTuple):
    """budget: the policy's scheme, for the fleet, by site and by technology. schemes: as from `compare_schemes`."""

    budget: pd.DataFrame
    schemes: pd.DataFrame


def budget_and_schemes(fleet_plan: FleetPlan, *, shared_draws: Draws = None) -> MoneyTables:
    """The whole budget and the schemes side by side, in one walk through the draws (see `budget`)."""
    known = Known.of(fleet_plan)
    accounts = _filled([Account(fleet_plan, GROUPS if own else ("fleet",), scheme, known=known)
                        for scheme in SCHEMES for own in [scheme == fleet_plan.policy.scheme]], shared_draws)  # fmt: skip
    own = accounts[SCHEMES.index(fleet_plan.policy.scheme)].tables()
    schemes = pd.DataFrame([outcome(account, account.scheme) for account in accounts])
    return MoneyTables(pd.concat([own[name] for name in GROUPS], ignore_index=True), schemes)


def compare_schemes(fleet_plan: FleetPlan, *, shared_draws: Draws = None) -> pd.DataFrame:
    """Swaps by forecast, by the calendar, and at failure, over the months of the budget (columns: nomenclature policies)."""
    known = Known.of(fleet_plan)
    accounts = _filled([Account(fleet_plan, scheme=scheme, known=known) for scheme in SCHEMES], shared_draws)
    return pd.DataFrame([outcome(account, account.scheme) for account in accounts])


def compare_policies(
    first: FleetPlan, second: FleetPlan, *, shared_draws: Draws = None, second_draws: Draws = None
) -> pd.DataFrame:
    """What if: two plans of the same fleet, one row each (columns: nomenclature policies), over the months of the shorter budget.

    second: `first.under(policy)` of another policy, or a plan with a forecast of its own where margin or horizon differ.
    shared_draws: of what sensors share (see `budget`), each drawn once for both. second_draws: those of the second plan where
    its forecast is its own.
    """
    months = min(first.policy.budget_months, second.policy.budget_months)
    plans = [plan if plan.policy.budget_months == months else plan.under(plan.policy.with_values(budget_months=months))
             for plan in (first, second)]  # fmt: skip
    if first.remaining is second.remaining:
        accounts = _filled([Account(plan) for plan in plans], shared_draws)
    else:
        accounts = [_filled([Account(plan)], draws)[0] for plan, draws in zip(plans, (shared_draws, second_draws))]
    return pd.DataFrame([outcome(account, name) for account, name in zip(accounts, ("first", "second"))])


def _filled(accounts: list[Account], draws: Draws) -> list[Account]:
    """The accounts with every draw added, each drawn once; without draws, with the forecast alone."""
    for drawn in batches(itertools.repeat(accounts[0].fleet_plan.remaining, PATTERNS) if draws is None else draws):
        for account in accounts:
            account.add(*drawn)
    return accounts


class Figures(NamedTuple):
    """What one scheme leads to over the months of the budget, beside counts and money: each adds up over parts of a fleet."""

    visit_cost: float
    failures_in_service: float
    planned_swaps: float
    wasted_life_days: float
    over_risk: float


def figures(account: Account) -> Figures:
    """The figures of an account whose draws are all in."""
    fleet_plan, ready = account.fleet_plan, account.ready
    planned, failed = account.replaced()
    wasted = sum(
        float(wasted_days(fleet_plan.remaining, ready.known, rows, ready.rule, ready.calendar.edges).sum())
        for rows in chunks(np.arange(ready.where.row.size))
    )
    over_risk = float(fleet_plan.actions["over_risk"].sum()) if account.scheme == "condition" else np.nan
    return Figures(float(np.sum(account.visits) / len(account.visits)), failed, planned, wasted, over_risk)


def outcome(account: Account, name: str) -> dict[str, object]:
    """What one policy leads to over the months of its budget (columns: nomenclature policies)."""
    return outcome_row(account.tables()["fleet"], figures(account), name, account.scheme)


def outcome_row(fleet: pd.DataFrame, told: Figures, name: str, scheme: str) -> dict[str, object]:
    """The same from the fleet's budget and the figures beside it."""
    last = fleet.iloc[-1]
    result: dict[str, object] = {"policy": name, "scheme": scheme, "months": len(fleet)}
    for what in ("cost", "count"):
        result |= {f"{part}_{what}": last[f"cumulative_{part}_{what}"] for part in ("expected", *LEVELS)}
    return result | told._asdict()


def side_by_side(table: pd.DataFrame, currency: str) -> list[str]:
    """The rows of a comparison as columns of text, a line for each figure, with its meaning and unit."""
    known = columns("policies")
    rows = []
    for name in table.columns.astype(str):
        unit = currency if known[name].unit == "currency" else known[name].unit
        label = f"{known[name].meaning} ({unit})" if unit else known[name].meaning
        rows.append([label, *(_figure(value) for value in table[name])])
    widths = [max(len(row[at]) for row in rows) for at in range(len(rows[0]))]
    return [row[0].ljust(widths[0]) + "".join(f"  {cell:>{width}}" for cell, width in zip(row[1:], widths[1:])) for row in rows]


def _figure(value: object) -> str:
    """Text as it is, "-" for nothing, thousands with spaces, small numbers with one digit after the point."""
    if isinstance(value, str):
        return value
    number = float(value)  # type: ignore[arg-type]
    if np.isnan(number):
        return "-"
    return f"{number:,.0f}".replace(",", " ") if number >= 100 or number == int(number) else f"{number:.1f}"
