"""What to do: policy, actions with reasons, warranty, visits, orders, budget."""

from sensorhealth.decide.budget import budget
from sensorhealth.decide.evidence import Evidence
from sensorhealth.decide.plan import FleetPlan, plan, plan_fleet
from sensorhealth.decide.policy import KindPolicy, Policy, SitePolicy
from sensorhealth.decide.warranty import warranty_list

__all__ = [
    "Evidence",
    "FleetPlan",
    "KindPolicy",
    "Policy",
    "SitePolicy",
    "budget",
    "plan",
    "plan_fleet",
    "warranty_list",
]
