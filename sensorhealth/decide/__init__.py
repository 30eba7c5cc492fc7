"""What to do: policy, actions with reasons, warranty, visits, orders, budget."""

from sensorhealth.decide.budget import budget, budgets
from sensorhealth.decide.comparing import budget_and_schemes, compare_policies, compare_schemes, side_by_side
from sensorhealth.decide.events import SharedEvents, SuddenEnds, shared_events
from sensorhealth.decide.evidence import Evidence
from sensorhealth.decide.orders import orders
from sensorhealth.decide.parts import WALKED, drawn_lives
from sensorhealth.decide.plan import FORECAST_KEYS, FleetPlan, plan, plan_fleet
from sensorhealth.decide.policy import KindPolicy, Policy, SitePolicy
from sensorhealth.decide.shards import Money, ShardMoney, money_of_shard, money_together
from sensorhealth.decide.sheet import evidence_sheets
from sensorhealth.decide.sheet_paths import sensor_paths
from sensorhealth.decide.situation import names_unknown, unknown_names
from sensorhealth.decide.visits import visits
from sensorhealth.decide.warranty import for_evidence, warranty_list, warranty_part, warranty_together

__all__ = [
    "FORECAST_KEYS",
    "WALKED",
    "Evidence",
    "FleetPlan",
    "KindPolicy",
    "Money",
    "Policy",
    "ShardMoney",
    "SharedEvents",
    "SitePolicy",
    "SuddenEnds",
    "budget",
    "budget_and_schemes",
    "budgets",
    "compare_policies",
    "compare_schemes",
    "drawn_lives",
    "evidence_sheets",
    "for_evidence",
    "money_of_shard",
    "money_together",
    "names_unknown",
    "orders",
    "plan",
    "plan_fleet",
    "sensor_paths",
    "shared_events",
    "side_by_side",
    "unknown_names",
    "visits",
    "warranty_list",
    "warranty_part",
    "warranty_together",
]
