"""What to do: policy, actions with reasons, warranty, visits, orders, budget."""

from sensorhealth.decide.budget import budget, budgets
from sensorhealth.decide.comparing import compare_policies, compare_schemes
from sensorhealth.decide.events import SharedEvents, shared_events
from sensorhealth.decide.evidence import Evidence
from sensorhealth.decide.orders import orders
from sensorhealth.decide.plan import FleetPlan, plan, plan_fleet
from sensorhealth.decide.policy import KindPolicy, Policy, SitePolicy
from sensorhealth.decide.sheet import evidence_sheets
from sensorhealth.decide.visits import visits
from sensorhealth.decide.warranty import warranty_list

__all__ = [
    "Evidence",
    "FleetPlan",
    "KindPolicy",
    "Policy",
    "SharedEvents",
    "SitePolicy",
    "budget",
    "budgets",
    "compare_policies",
    "compare_schemes",
    "evidence_sheets",
    "orders",
    "plan",
    "plan_fleet",
    "shared_events",
    "visits",
    "warranty_list",
]
