"""Planning the visits of large fleets: time, cost and gap of the exact plan and of the stepwise one in the same run.

Run: python benchmarks/plan.py
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from sensorhealth.decide import Policy, plan_fleet

KIND = "electrochemical H2S"
GRID = np.concatenate([np.arange(0, 371, 7), np.arange(395, 3651, 30), [3650]]).astype(float)
FLEETS = ((2_000, 10, 0), (2_000, 10, 25), (20_000, 20, 0), (20_000, 1, 2_400), (100_000, 100, 0))


@dataclass(frozen=True)
class Lives:
    """Life distributions as the plan asks for them."""

    life_id: np.ndarray
    grid_days: np.ndarray
    soft: np.ndarray
    sudden: np.ndarray


def lives(ids: list[str], scale: np.ndarray) -> Lives:
    """Weibull lives of shape 5 with a scale in days per sensor, and sudden ends at 5 % a year after them."""
    soft = stats.weibull_min.cdf(GRID[None, :], 5.0, scale=scale[:, None])
    return Lives(np.array(ids, dtype=object), GRID, soft, 0.05 * (1.0 - soft) * -np.expm1(-GRID / 365.25))


def main() -> None:
    """Print the table."""
    print(f"{'sensors':>8} {'sites':>6} {'capacity':>9} {'method':>10} {'seconds':>8} {'cost':>12} {'gap':>8}")
    for sensors, sites, capacity in FLEETS:
        rng = np.random.default_rng(0)
        ids = [f"S{number:06d}" for number in range(sensors)]
        remaining = lives(ids, rng.uniform(150.0, 1500.0, sensors))
        now = pd.DataFrame({"sensor_id": ids, "technology": "electrochemical", "gas": "H2S", "current": True, "life_id": ids})
        now["site"] = rng.choice([f"Site {number:03d}" for number in range(sites)], sensors)
        forecast = pd.DataFrame({"sensor_id": ids, "status": "forecast", "reason": "", "as_of": pd.Timestamp("2026-03-31")})
        for largest in (100_000_000, 0):
            policy = Policy(visit_capacity_swaps=capacity, solver_largest=largest)
            started = time.perf_counter()
            plan = plan_fleet(remaining, now, forecast, None, policy, fresh=lives([KIND], np.array([900.0])))
            seconds = time.perf_counter() - started
            cost, gap = (sum(getattr(site, name) for site in plan.ahead.plans) for name in ("cost", "gap"))
            method = "/".join(sorted({site.method for site in plan.ahead.plans}))
            print(f"{sensors:>8} {sites:>6} {capacity:>9} {method:>10} {seconds:>8.2f} {cost:>12.0f} {gap / cost:>8.2%}")


if __name__ == "__main__":
    main()
