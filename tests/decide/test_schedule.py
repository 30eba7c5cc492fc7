"""The visit plan: best where it can be enumerated, within capacity, and never past the accepted risk in silence."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sensorhealth.decide.policy import Policy
from sensorhealth.decide.schedule import plan_cost, schedule
from sensorhealth.decide.visitdates import visit_days

SETTINGS = {"seconds": 10.0}


def _problem(seed: int, count: int, visits: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.normal(0, 100, (count, visits)), rng.normal(0, 100, count), rng.integers(0, visits + 1, count)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("capacity", [0, 2])
def test_exact_plan_is_the_best_of_all_plans(seed: int, capacity: int) -> None:
    value, later, latest = _problem(seed, 6, 3)
    found = schedule(value, later, latest, capacity, 90.0, 1e4, **SETTINGS)
    cost = np.column_stack([value, later]) + 1e4 * np.maximum(np.arange(4)[None, :] - latest[:, None], 0)
    best = np.inf
    for choice in product(range(4), repeat=6):
        visit = np.array(choice)
        if capacity == 0 or np.bincount(visit, minlength=4)[:3].max() <= capacity:
            best = min(best, plan_cost(cost, visit, 90.0))
    assert found.cost == pytest.approx(best, abs=1e-6)
    assert plan_cost(cost, found.visit, 90.0) == pytest.approx(best, abs=1e-6)
    assert found.gap == pytest.approx(0.0, abs=1e-3)
    assert found.method == "exact"


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(1, 40), st.integers(1, 5), st.integers(0, 6))
def test_stepwise_plan_keeps_the_capacity_and_bounds_the_exact_one(seed: int, count: int, visits: int, capacity: int) -> None:
    value, later, latest = _problem(seed, count, visits)
    exact = schedule(value, later, latest, capacity, 90.0, 1e4, **SETTINGS)
    steps = schedule(value, later, latest, capacity, 90.0, 1e4, seconds=0.0)
    for found in (exact, steps):
        if capacity:
            assert np.bincount(found.visit, minlength=visits + 1)[:visits].max() <= capacity
    assert steps.cost >= exact.cost - 1e-6
    assert steps.cost - steps.gap <= exact.cost + 1e-6
    assert steps.method == "stepwise" or not steps.visit.size or steps.gap == 0.0


def test_swap_is_past_its_latest_visit_only_for_lack_of_room() -> None:
    value, later = np.tile([3.0, 2.0, 1.0], (5, 1)), np.zeros(5)
    free = schedule(value, later, np.zeros(5, dtype=np.intp), 0, 10.0, 1e4, **SETTINGS)
    assert (free.visit == 0).all()
    tight = schedule(value, later, np.zeros(5, dtype=np.intp), 2, 10.0, 1e4, **SETTINGS)
    assert sorted(tight.visit) == [0, 0, 1, 1, 2]


def test_visit_is_shared_rather_than_made_for_one_swap() -> None:
    """One sensor would rather wait a visit, which saves less than the visit costs."""
    value = np.array([[0.0, 50.0], [0.0, 50.0], [10.0, 0.0]])
    found = schedule(value, np.full(3, 500.0), np.full(3, 2), 0, 350.0, 1e4, **SETTINGS)
    assert found.visit.tolist() == [0, 0, 0]
    apart = schedule(value, np.full(3, 500.0), np.full(3, 2), 0, 5.0, 1e4, **SETTINGS)
    assert apart.visit.tolist() == [0, 0, 1]


def test_stated_dates_come_first_and_the_interval_goes_on_after_them() -> None:
    policy = Policy(sites={"N": {"visit_dates": ["2026-01-01", "2026-04-10", "2026-05-01"], "visit_interval_days": 30}})
    days = visit_days(policy, "N", np.datetime64("2026-03-31"), 80.0)
    assert days.tolist() == [10.0, 31.0, 61.0, 91.0]
    assert visit_days(policy, "other", np.datetime64("2026-03-31"), 10.0).tolist() == [14.0, 104.0]


def test_plan_at_the_time_limit_is_never_worse_than_the_stepwise_one() -> None:
    value, later, latest = _problem(1, 3000, 8)
    stopped = schedule(value, later, latest, 200, 90.0, 1e4, seconds=0.05)
    steps = schedule(value, later, latest, 200, 90.0, 1e4, seconds=0.0)
    assert stopped.cost <= steps.cost
    assert stopped.cost - stopped.gap >= steps.cost - steps.gap - 1e-6
    assert np.bincount(stopped.visit, minlength=9)[:8].max() <= 200


def test_gap_of_the_stepwise_plan_stays_small_where_visits_are_full() -> None:
    """Places lack for a quarter of the sensors, each at a penalty; a bound without the capacity would be off by all of it."""
    value, later, _ = _problem(3, 400, 5)
    full = np.full(400, 1, dtype=np.intp)
    exact = schedule(value, later, full, 60, 90.0, 1e4, **SETTINGS)
    steps = schedule(value, later, full, 60, 90.0, 1e4, seconds=0.0)
    assert steps.cost - steps.gap <= exact.cost + 1e-6
    assert steps.gap < 0.02 * steps.cost
