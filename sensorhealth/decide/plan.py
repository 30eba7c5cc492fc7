"""An action with a reason for every sensor, and the visits on which the swaps are done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from sensorhealth.decide.evidence import Evidence
from sensorhealth.decide.newlives import LifeTable, NewLives, new_lives
from sensorhealth.decide.outlook import Outlook, outlook
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.rules import rules
from sensorhealth.decide.situation import Situation, situation
from sensorhealth.decide.texts import codes
from sensorhealth.errors import PolicyError

FORECAST_KEYS = ("margin", "horizon_days")  # of the policy: what the forecast itself depends on


@dataclass(frozen=True)
class FleetPlan:
    """The plan with what stands behind it.

    actions: one row per sensor (nomenclature plan). facts: the situation. ahead: risks and planned visits. fresh:
    life distributions of new sensors.
    """

    actions: pd.DataFrame
    facts: Situation
    ahead: Outlook
    fresh: NewLives
    remaining: LifeTable
    forecast: pd.DataFrame

    @property
    def policy(self) -> Policy:
        """The policy that the plan follows."""
        return self.facts.policy

    def under(self, policy: Policy) -> FleetPlan:
        """The plan of the same fleet under another policy; margin and horizon belong to the forecast and must be equal.

        Raises PolicyError.
        """
        for name in FORECAST_KEYS:
            if getattr(policy, name) != getattr(self.policy, name):
                raise PolicyError(
                    f"policy key {name}: {getattr(policy, name)} is not the forecast's ({getattr(self.policy, name)}); "
                    "make a forecast with it first"
                )
        facts = self.facts.under(policy)
        ahead = outlook(self.remaining, facts, self.fresh)
        return FleetPlan(_actions(facts, ahead), facts, ahead, self.fresh, self.remaining, self.forecast)


def plan(
    remaining: LifeTable,
    lives: pd.DataFrame | None,
    forecast: pd.DataFrame,
    fleet: Any | None = None,
    policy: Policy | None = None,
    evidence: Evidence | None = None,
    *,
    fresh: LifeTable | None = None,
) -> pd.DataFrame:
    """An action with a reason for every sensor (columns: nomenclature plan); see `plan_fleet`."""
    return plan_fleet(remaining, lives, forecast, fleet, policy, evidence, fresh=fresh).actions


def plan_fleet(
    remaining: LifeTable,
    lives: pd.DataFrame | None,
    forecast: pd.DataFrame,
    fleet: Any | None = None,
    policy: Policy | None = None,
    evidence: Evidence | None = None,
    *,
    fresh: LifeTable | None = None,
) -> FleetPlan:
    """Plan the whole fleet.

    remaining: life distributions, rows named by life_id. lives: sensor_id, life_id, current, technology, gas, site
    ... (None: a life is its sensor). forecast: one row for EVERY sensor (nomenclature forecast); the plan has the
    same rows. fleet: its `sensors` and `calibrations` tables give prices, warranties, sites and gas tests (None: what
    lives and forecast say). evidence: doubted gas and single readings. fresh: life distributions of new sensors, rows
    named by kind ("technology gas"); a kind that is not there has its technology's usual life, an assumption.
    """
    policy = policy or Policy()
    facts = situation(remaining, lives, forecast, fleet, policy, evidence)
    successors = new_lives(codes(facts.kind)[0], remaining.grid_days, fresh)
    ahead = outlook(remaining, facts, successors)
    return FleetPlan(_actions(facts, ahead), facts, ahead, successors, remaining, forecast)


def _actions(facts: Situation, ahead: Outlook) -> pd.DataFrame:
    """Ask the rules in their order; the first that applies to a sensor decides."""
    size = facts.size
    open_ = np.ones(size, dtype=bool)
    columns: dict[str, Any] = {
        "action": np.full(size, "", dtype=object),
        "due": np.full(size, np.datetime64("NaT", "D"), dtype="datetime64[D]"),
        "reason": np.full(size, "", dtype=object),
        "expected_cost": np.zeros(size),
        "confidence": np.full(size, np.nan),
    }
    for rule in rules():
        rows = np.flatnonzero(open_ & rule.applies(facts, ahead))
        open_[rows] = False
        columns["action"][rows] = rule.action
        columns["due"][rows] = rule.due(facts, ahead, rows)
        columns["reason"][rows] = rule.reason(facts, ahead, rows)
        columns["expected_cost"][rows] = rule.direct_cost(facts, ahead, rows)
        columns["confidence"][rows] = rule.confidence(facts, ahead, rows)
    action = columns["action"]
    at_visit = action == "swap at visit"
    risk = np.where(at_visit, ahead.p_swap, ahead.p_first)
    risk = np.where((action == "none") | (action == "out of service"), np.nan, risk)
    columns["expected_cost"] += np.nan_to_num(risk) * facts.policy.failure_cost
    none = np.datetime64("NaT", "D")
    table = pd.DataFrame(
        {
            "sensor_id": facts.sensor_id,
            "action": action,
            "due": columns["due"],
            "visit": np.where(at_visit, ahead.swap_date, none),
            "reason": columns["reason"],
            "expected_cost": columns["expected_cost"],
            "confidence": np.clip(columns["confidence"], 0.0, 1.0),
            "site": facts.site,
            "last_gas_test": facts.last_test,
            "risk_until_visit": np.clip(risk, 0.0, 1.0),
            "over_risk": ahead.over_risk & facts.in_service,
            "swap_visit": np.where(facts.in_service, ahead.swap_date, none),
            "latest_swap": np.where(facts.in_service, ahead.latest_date, none),
            "best_swap": np.where(facts.in_service, ahead.best_date, none),
        }
    )
    dates = ["due", "visit", "last_gas_test", "swap_visit", "latest_swap", "best_swap"]
    return table.astype(dict.fromkeys(dates, "datetime64[ns]"))
