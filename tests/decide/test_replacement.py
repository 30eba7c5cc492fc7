"""When to swap: against published and exactly solvable cases."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sensorhealth.decide.replaced import Looks, at_each, at_looks
from sensorhealth.decide.replacement import age_replacement, at_days, swap_value, time_in_service


def test_best_age_is_the_textbook_one_for_weibull_lives(published: Path) -> None:
    """shared/age_replacement_weibull.csv: Barlow and Proschan's optimum, computed; ages in units of the scale."""
    table = pd.read_csv(published / "age_replacement_weibull.csv")
    days = np.linspace(0.0, 6.0, 24_001)
    for row in table.itertuples():
        ended = stats.weibull_min.cdf(days, row.weibull_shape)[None, :]
        found = age_replacement(days, ended, 1.0, row.cost_ratio_failure_to_planned)
        assert found.age_days[0] == pytest.approx(row.optimal_age_over_eta, rel=1e-3)
        assert found.rate[0] == pytest.approx(row.min_cost_rate, rel=2e-6)


def test_best_age_of_a_uniform_life_is_exact() -> None:
    """Uniform on (0, b), costs 1 and 5: T* = b / 2 and 8 / b per day, by algebra."""
    days = np.linspace(0.0, 100.0, 4001)
    found = age_replacement(days, (days / 100.0)[None, :], 1.0, 5.0)
    assert found.age_days[0] == pytest.approx(50.0, abs=1e-3)
    assert found.rate[0] == pytest.approx(0.08, rel=1e-7)


def test_normal_life_costs_what_the_textbook_says_at_each_age() -> None:
    """Normal(5, 1) weeks, costs 5 and 10: rates at 1 to 6 weeks and the optimum, computed values."""
    days = np.linspace(0.0, 12.0, 48_001)
    ended = stats.norm.cdf(days, 5.0, 1.0)[None, :]
    service = time_in_service(days, ended)
    at = np.arange(1.0, 7.0)
    rate = (5.0 + 5.0 * at_days(days, ended, at)) / at_days(days, service, at)
    assert rate[0] == pytest.approx([5.000194, 2.503853, 1.709422, 1.479128, 1.630060, 1.872547], rel=1e-6)
    found = age_replacement(days, ended, 5.0, 10.0)
    assert found.age_days[0] == pytest.approx(4.021967, abs=1e-4)
    assert found.rate[0] == pytest.approx(1.479031, abs=1e-6)


def test_sensor_that_does_not_age_is_never_swapped_by_age() -> None:
    days = np.linspace(0.0, 2000.0, 8001)
    found = age_replacement(days, -np.expm1(-days / 100.0)[None, :], 1.0, 5.0)
    assert np.isinf(found.age_days[0])
    assert found.rate[0] == pytest.approx(0.05, rel=1e-3)


def test_value_of_a_new_sensor_is_least_and_nothing_at_the_textbook_age() -> None:
    """Where a sensor's own distribution is its successors', the best day agrees with Barlow and Proschan's."""
    days = np.linspace(0.0, 4000.0, 16_001)
    ended = stats.weibull_min.cdf(days, 2.5, scale=1000.0)[None, :]
    best = age_replacement(days, ended, 1.0, 5.0)
    worth = swap_value(ended, time_in_service(days, ended), np.ones(1), np.full(1, 5.0), best.rate)
    assert days[worth[0].argmin()] == pytest.approx(493.0470, abs=0.5)
    assert worth[0].min() == pytest.approx(0.0, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(st.floats(1.2, 6.0), st.floats(1.5, 30.0), st.floats(50.0, 3000.0))
def test_dearer_failures_never_make_the_best_age_later(shape: float, ratio: float, scale: float) -> None:
    days = np.linspace(0.0, 6.0 * scale, 2001)
    ended = np.tile(stats.weibull_min.cdf(days, shape, scale=scale), (2, 1))
    found = age_replacement(days, ended, 1.0, np.array([ratio, ratio * 1.5]))
    assert found.age_days[1] <= found.age_days[0] * (1 + 1e-9)
    assert found.rate[1] >= found.rate[0]


def test_reading_between_days_is_linear_and_held_at_the_ends() -> None:
    days = np.array([0.0, 10.0, 30.0])
    values = np.array([[0.0, 1.0, 5.0]])
    assert at_days(days, values, np.array([-5.0, 5.0, 20.0, 99.0]))[0] == pytest.approx([0.0, 0.5, 3.0, 5.0])


def test_positions_that_are_looked_at_alike_are_read_together() -> None:
    rng = np.random.default_rng(6)
    days, values = np.array([0.0, 10.0, 50.0, 400.0]), np.sort(rng.random((40, 4)), axis=1)
    times = np.sort(rng.uniform(-5.0, 500.0, (3, 6)), axis=1)
    for groups in (np.zeros(40, dtype=int), rng.integers(0, 3, 40), np.arange(40)):
        wanted = np.resize(times, (groups.max() + 1, 6))
        found = at_looks(days, values, Looks(wanted, groups))
        assert (found == at_each(days, values, wanted[groups])).all()
        assert found == pytest.approx(np.array([np.interp(at, days, row) for at, row in zip(wanted[groups], values)]))
