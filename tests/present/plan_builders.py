"""A planned fleet for the tests of the workbook and the calendar."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from sensorhealth.decide import Policy, budget, compare_schemes, orders, plan_fleet, visits, warranty_list

AS_OF = pd.Timestamp("2026-03-31")


def planned(size: int = 60, site: str = "North", **policy: Any) -> SimpleNamespace:
    """What an analysis carries of a plan, for an invented fleet."""
    rng = np.random.default_rng(4)
    ids = [f"S{number:03d}" for number in range(size)]
    grid = np.append(np.arange(0.0, 3650.0, 14.0), 3650.0)
    soft = stats.weibull_min.cdf(grid, 5.0, scale=10.0 * 200.0 ** rng.random(size)[:, None])
    remaining = SimpleNamespace(life_id=np.array(ids, dtype=object), grid_days=grid, soft=soft, sudden=np.zeros_like(soft))
    forecast = pd.DataFrame(
        {
            "sensor_id": ids, "status": "forecast", "reason": "", "as_of": AS_OF, "p_end_before_warranty_end": 0.3,
            "headroom_ratio": 1.5, "readings_used": 5, "last_gas_test": AS_OF - pd.Timedelta(days=20),
            "last_gas_test_outcome": "pass",
        }
    )  # fmt: skip
    sensors = pd.DataFrame(
        {
            "sensor_id": ids, "technology": "electrochemical", "gas": "H2S", "site": site, "lot": "L1", "model": "",
            "installed": AS_OF - pd.Timedelta(days=300), "warranty_end": AS_OF + pd.Timedelta(days=65), "unit_cost": 200.0,
        }
    )  # fmt: skip
    calibrations = pd.DataFrame(
        {
            "sensor_id": ids,
            "time": AS_OF - pd.Timedelta(days=20),
            "kind": "full",
            "cylinder_id": "C1",
            "outcome": "pass",
        }
    )
    fleet = SimpleNamespace(sensors=sensors, calibrations=calibrations)
    plan = plan_fleet(remaining, None, forecast, fleet, Policy(**policy))
    return SimpleNamespace(
        as_of=AS_OF, policy=plan.policy, plan=plan.actions, visits=visits(plan), orders=orders(plan),
        warranty=warranty_list(plan.facts), budget=budget(plan), forecast=forecast, schemes=compare_schemes(plan),
    )  # fmt: skip
