"""The plan judged in worlds of known truth: against an oracle, the best way of using the same forecasts, and the calendar."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from judge import Decide, Result, World, by_calendar, by_plan, by_risk, by_truth, never, run

from sensorhealth.decide import Policy

RISKS = (0.01, 0.015, 0.02, 0.03, 0.05, 0.08, 0.15)
WORLDS = {
    "usual": (World(), Policy()),
    "noisy readings": (World(noise=0.12), Policy()),
    "long lives": (World(rate=(0.12, 0.04), years=11.0), Policy()),
    "two visits a year": (World(noise=0.08), Policy(visit_interval_days=180)),
    "cheap failures": (World(), Policy(failure_cost=400)),
    "dear failures and visits": (World(), Policy(failure_cost=8000, visit_cost=1000)),
    "short lives": (World(rate=(0.45, 0.2), hazard=0.08, years=5.0), Policy(calendar_swap_days=365)),
    "few sensors on many sites": (World(positions=60, sites=6), Policy()),
}


def _mean(world: World, policy: Policy, decide: Decide, seeds: range) -> Result:
    results = [run(world, policy, decide, seed) for seed in seeds]
    return Result(
        float(np.mean([result.cost for result in results])),
        sum(result.failures for result in results),
        sum(result.worn for result in results),
        sum(result.swaps for result in results),
        sum(result.visits for result in results),
    )


def test_plan_saves_a_fifth_against_the_calendar_in_a_small_world() -> None:
    world, policy, seeds = World(positions=60, years=4.0), Policy(), range(2)
    plan = _mean(world, policy, by_plan(world, policy), seeds)
    calendar = _mean(world, policy, by_calendar(policy), seeds)
    assert plan.cost < 0.8 * calendar.cost
    assert plan.failures <= calendar.failures


@pytest.mark.slow
@pytest.mark.parametrize("name", WORLDS)
def test_plan_is_near_the_best_that_forecasts_allow_in_every_world(name: str, study_size: Callable[[int], int]) -> None:
    """Within 10 % of the best risk threshold known only afterwards, at least 20 % under the calendar, no more failures.

    Sudden ends come at one rate whatever is swapped, so that their difference is chance alone: failures by wear are
    compared, with two standard errors, and all failures with three.
    """
    world, policy = WORLDS[name]
    seeds = range(1000, 1000 + study_size(4))
    plan = _mean(world, policy, by_plan(world, policy), seeds)
    best = min(_mean(world, policy, by_risk(policy, risk), seeds).cost for risk in RISKS)
    calendar = _mean(world, policy, by_calendar(policy), seeds)
    assert plan.cost <= 1.10 * best
    assert plan.cost <= 0.80 * calendar.cost
    assert plan.worn <= calendar.worn + 2.0 * np.sqrt(plan.worn + calendar.worn)
    assert plan.failures <= calendar.failures + 3.0 * np.sqrt(plan.failures + calendar.failures)
    assert _mean(world, policy, by_truth(policy), seeds).cost < plan.cost
    assert plan.cost < _mean(world, policy, never, seeds).cost
