"""What the outlook makes of life distributions: days that are no visits are no choice, and known ends are met."""

from __future__ import annotations

import numpy as np
import pytest
from decide_builders import AS_OF, GRID, KIND, LifeRows, forecast_rows, tables, weibull_rows
from scipy import stats

from sensorhealth.decide import FleetPlan, Policy, plan_fleet
from sensorhealth.decide.replacement import age_replacement, swap_value, time_in_service

FRESH = weibull_rows([KIND], 1100.0, 5.0, 0.03)


def _plan(remaining: LifeRows, fresh: LifeRows = FRESH, **policy: object) -> FleetPlan:
    ids = [str(name) for name in remaining.life_id]
    return plan_fleet(remaining, None, forecast_rows(ids), tables(ids, unit_cost=180.0), Policy(**policy), fresh=fresh)


def test_a_swap_is_not_put_off_to_a_day_without_a_visit() -> None:
    """Visits after 14 and 379 days; the best day of all is near 130. Swapped on the first: by the second it would cost more."""
    settings = {"visit_interval_days": 365, "risk": 0.5, "visit_cost": 0.0, "failure_cost": 800.0}
    remaining = weibull_rows(["S1"], 430.0, 3.0)
    plan = _plan(remaining, **settings)
    best = (plan.ahead.best_date[0] - np.datetime64(AS_OF, "D")).astype(int)
    assert 60 < best < 250
    assert plan.ahead.p_interval[0] < 0.5
    planned, failed = np.full(1, 240.0), np.full(1, 1040.0)
    rate = age_replacement(GRID, FRESH.soft + FRESH.sudden, planned, failed).rate
    worth = swap_value(remaining.soft, time_in_service(GRID, remaining.soft), planned, failed, rate)[0]
    on = np.interp([14.0, 379.0, 744.0], GRID, worth)
    assert on.argmin() == 0 and worth.min() < on[0]
    assert plan.actions["action"].tolist() == ["swap at visit"]


@pytest.mark.parametrize("interval", [30, 90, 180, 365])
def test_what_is_done_on_the_first_visit_does_not_hang_on_how_far_ahead_visits_are_planned(interval: int) -> None:
    """Where visits cost nothing, sensors do not share them, and the window only says what is written down."""
    scale = np.linspace(60.0, 2500.0, 150)
    ids = [f"S{number:03d}" for number in range(scale.size)]
    first = []
    for window in (30, 365, 1500):
        settings = {"visit_interval_days": interval, "risk": 0.5, "visit_cost": 0.0, "planning_days": window}
        first.append(_plan(weibull_rows(ids, scale, 4.0, 0.03), **settings).ahead.swap == 0)
    assert 0 < first[0].sum() < scale.size
    assert (first[0] == first[1]).all() and (first[1] == first[2]).all()


@pytest.mark.parametrize("interval", [90, 365])
def test_an_end_that_is_known_is_met_by_the_last_visit_before_it(interval: int) -> None:
    """Perfect information: the oracle's swap, whatever the successors cost."""
    ends = np.linspace(30.0, 1400.0, 60)
    known = (GRID[None, :] >= ends[:, None]).astype(float)
    ids = [f"S{number:03d}" for number in range(ends.size)]
    plan = _plan(LifeRows(np.array(ids, dtype=object), GRID, known, np.zeros_like(known)),
                 visit_interval_days=interval, visit_cost=0.0, planning_days=1500)  # fmt: skip
    days = plan.ahead.sites[0].days
    ends_on_grid = GRID[(known == 0).sum(axis=1) - 1]  # the distribution is linear from that day on
    last = np.searchsorted(days, ends_on_grid, side="right") - 1
    seen = ends_on_grid >= days[0]
    assert (plan.ahead.swap[seen] == last[seen]).all()


def test_sensors_that_start_new_and_tell_nothing_are_swapped_at_the_textbook_age() -> None:
    """No information gained: the visit next to Barlow and Proschan's age, the better one of the two around it."""
    ended, none = stats.weibull_min.cdf(GRID, 3.0, scale=900.0)[None], np.zeros((1, GRID.size))
    fresh = LifeRows(np.array([KIND], dtype=object), GRID, ended, none)
    new = LifeRows(np.array(["S1"], dtype=object), GRID, fresh.soft, fresh.sudden)
    plan = _plan(new, fresh, visit_interval_days=30, first_visit_days=30, visit_cost=0.0, risk=0.5, planning_days=1500)
    age = age_replacement(GRID, fresh.soft, 240.0, 1740.0).age_days[0]
    planned = plan.ahead.sites[0].days[plan.ahead.swap[0]]
    assert abs(planned - age) <= 30.0
