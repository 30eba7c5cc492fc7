"""Budget, schemes and orders of a fleet that is planned shard by shard: what each shard adds, and the whole put together.

In one possible world all shards share the same curves, hazards and lots; given it they are independent, so that the moments of
their counts and money add up. Budgets of sites are whole in their shard.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from sensorhealth.decide.budget import GROUPS, Account
from sensorhealth.decide.comparing import Figures, figures, outcome_row
from sensorhealth.decide.newlives import LifeTable
from sensorhealth.decide.orders import Demand, demands, orders_table
from sensorhealth.decide.orders import together as demands_together
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.policy import SCHEMES, Policy
from sensorhealth.decide.positions import Known
from sensorhealth.decide.totals import GroupSums, budget_table
from sensorhealth.decide.totals import together as sums_together
from sensorhealth.decide.worlds import batches


class ShardMoney(NamedTuple):
    """What one shard adds. sums: by scheme, for the fleet and (of the policy's scheme) by technology. sites: the budgets of its
    sites. figures: by scheme. demands: for the orders."""

    sums: dict[str, dict[str, GroupSums]]
    sites: pd.DataFrame
    figures: dict[str, Figures]
    demands: list[Demand]


class Money(NamedTuple):
    """The tables of the whole fleet (columns: nomenclature budget, policies, orders)."""

    budget: pd.DataFrame
    schemes: pd.DataFrame
    orders: pd.DataFrame


def money_of_shard(fleet_plan: FleetPlan, draws: Iterable[LifeTable], shard: int, walked: int) -> ShardMoney:
    """What a shard adds; draws: the possible worlds, alike in all shards but for what is its own. walked: positions with which
    patterns of visits are walked through for the orders."""
    own = fleet_plan.policy.scheme
    known = Known.of(fleet_plan)
    accounts = {scheme: Account(fleet_plan, GROUPS if scheme == own else ("fleet",), scheme, shard, known) for scheme in SCHEMES}
    for drawn in batches(draws):
        for account in accounts.values():
            account.add(*drawn)
    sums = {scheme: account.sums() for scheme, account in accounts.items()}
    sites = budget_table(sums[own].pop("site"))
    sites.insert(1, "by", "site")
    told = {scheme: figures(account) for scheme, account in accounts.items()}
    return ShardMoney(sums, sites, told, demands(fleet_plan, walked, shard, known))


def money_together(parts: Sequence[ShardMoney], policy: Policy, as_of: np.datetime64) -> Money:
    """The whole fleet's tables."""
    tables = {}
    for scheme in SCHEMES:
        for name in parts[0].sums[scheme]:
            table = budget_table(sums_together([part.sums[scheme][name] for part in parts]))
            table.insert(1, "by", name)
            tables[scheme, name] = table
    own = {name: tables[policy.scheme, name] for name in GROUPS if name != "site"}
    own["site"] = pd.concat([part.sites for part in parts]).sort_values(["group", "month"], kind="stable")
    rows = []
    for scheme in SCHEMES:
        total = Figures(*np.sum([part.figures[scheme] for part in parts], axis=0).tolist())
        rows.append(outcome_row(tables[scheme, "fleet"], total, scheme, scheme))
    return Money(
        pd.concat([own[name] for name in GROUPS], ignore_index=True),
        pd.DataFrame(rows),
        orders_table(demands_together([part.demands for part in parts]), policy, as_of),
    )
