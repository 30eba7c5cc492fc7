"""What to do: policy, actions with reasons, warranty, visits, orders, budget."""

from sensorhealth.decide.budget import budget
from sensorhealth.decide.comparing import compare_policies, compare_schemes
from sensorhealth.decide.evidence import Evidence
from sensorhealth.decide.orders import orders
from sensorhealth.decide.plan import FleetPlan, plan, plan_fleet
from sensorhealth.decide.policy import KindPolicy, Policy, SitePolicy
from sensorhealth.decide.sheet import evidence_sheets
from sensorhealth.decide.visits import visits
from sensorhealth.decide.warranty import warranty_list
from sensorhealth.decide.worlds import new_sensor_lives, possible_worlds

__all__ = [
    "Evidence",
    "FleetPlan",
    "KindPolicy",
    "Policy",
    "SitePolicy",
    "budget",
    "compare_policies",
    "compare_schemes",
    "evidence_sheets",
    "new_sensor_lives",
    "orders",
    "plan",
    "plan_fleet",
    "possible_worlds",
    "visits",
    "warranty_list",
]
