"""What to do: policy, actions with reasons, warranty, visits, orders, budget."""

from sensorhealth.decide.policy import KindPolicy, Policy, SitePolicy

__all__ = ["KindPolicy", "Policy", "SitePolicy"]
