"""The arithmetic of comparisons against closed forms, published values and other routes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from sensorhealth.compare.adjust import adjusted
from sensorhealth.compare.deaths import compare_hazards, weibull_shape
from sensorhealth.compare.ratio import fieller, within
from sensorhealth.compare.shrink import at_spread, shrink
from sensorhealth.compare.worth import extra_cost


def test_adjusted_p_values_are_those_of_the_published_fifteen(published: Path) -> None:
    """Benjamini and Hochberg (1995), J. R. Stat. Soc. B 57:289-300, the fifteen p values of their example."""
    table = pd.read_csv(published / "bh1995_pvalues.csv")
    assert np.allclose(adjusted(table["p"].to_numpy()), table["bh_adjusted"], atol=1e-8)
    assert (adjusted(table["p"].to_numpy()) <= 0.05).sum() == 4
    assert (adjusted(table["p"].to_numpy(), "holm") <= 0.05).sum() == 3


def test_rows_without_a_comparison_do_not_count_among_the_tests() -> None:
    p = np.array([0.01, np.nan, 0.04])
    assert np.allclose(adjusted(p)[[0, 2]], adjusted(p[[0, 2]]))
    assert np.isnan(adjusted(p)[1])
    with pytest.raises(ValueError, match="fdr, holm"):
        adjusted(p, "bonferoni")


def one(*values: float) -> list[np.ndarray]:
    return [np.array([value]) for value in values]


@given(st.floats(-3, -0.5), st.floats(-3, -0.8), st.floats(1e-4, 0.02), st.floats(-0.9, 0.9))
def test_ends_of_the_ratio_are_where_the_contrast_is_just_significant(a: float, b: float, v: float, rho: float) -> None:
    found = fieller(*one(a, b, v, rho * v, v, 20.0), 0.90)
    for end in (found.low[0], found.high[0]):
        t = (a - end * b) / np.sqrt(v - 2 * end * rho * v + end**2 * v)
        assert abs(t) == pytest.approx(stats.t.ppf(0.95, 20), rel=1e-6)
    assert found.low[0] <= a / b <= found.high[0]


def test_ratio_to_a_rest_that_may_not_age_has_no_bounded_interval() -> None:
    found = fieller(*one(-0.2, -0.01, 1e-4, 0.0, 1e-4, 30.0), 0.90)
    assert np.isnan([found.value[0], found.low[0], found.high[0]]).all()


def test_interval_of_the_ratio_covers_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(1)
    a, b = rng.normal(-0.3, 0.03, 20_000), rng.normal(-0.2, 0.03, 20_000)
    v = np.full(a.size, 0.03**2)
    found = fieller(a, b, v, 0 * v, v, np.full(a.size, 1e6), 0.90)
    covered = (found.low <= 1.5) & (found.high >= 1.5)
    assert covered[np.isfinite(found.low)].mean() == pytest.approx(0.90, abs=0.01)
    wrong = fieller(a, b, 0.5 * v, 0 * v, 0.5 * v, np.full(a.size, 1e6), 0.90)
    missed = (wrong.low <= 1.5) & (wrong.high >= 1.5)
    assert missed.mean() < 0.82  # a deliberately narrow interval must fail


def test_equivalence_is_shown_only_by_precise_and_near_estimates() -> None:
    v = 0.005**2
    near = within(*one(-0.205, -0.2, v, 0.0, v, 100.0), 0.20)[0]
    far = within(*one(-0.26, -0.2, v, 0.0, v, 100.0), 0.20)[0]
    vague = within(*one(-0.205, -0.2, 100 * v, 0.0, 100 * v, 100.0), 0.20)[0]
    assert near < 0.001 < 0.5 < far
    assert vague > 0.2


def test_equivalence_errs_as_often_as_it_says_at_the_border_of_the_margin() -> None:
    rng = np.random.default_rng(2)
    sd = 0.01
    a, b = rng.normal(-0.24, sd, 20_000), rng.normal(-0.2, sd, 20_000)
    v = np.full(a.size, sd**2)
    p = within(a, b, v, 0 * v, v, np.full(a.size, 1e6), 0.20)
    assert (p <= 0.05).mean() == pytest.approx(0.05, abs=0.006)


def test_shrunken_effects_are_the_best_linear_predictions_of_the_one_way_layout() -> None:
    """Balanced one-way layout: shrinkage tau^2 / (tau^2 + s^2 / n) toward the mean (Searle, Casella and McCulloch 1992)."""
    estimate = np.array([1.0, 2.0, 4.5])
    mean, covariance, _ = at_spread(estimate, 0.3 * np.eye(3), np.sqrt(0.6))
    factor = 0.6 / 0.9
    assert np.allclose(mean, 2.5 + factor * (estimate - 2.5))
    assert np.allclose(np.diag(covariance), 0.6 * (1 - factor) + (1 - factor) ** 2 * 0.9 / 3)


def test_shrinkage_pulls_vague_groups_most_and_leaves_a_lone_group_alone() -> None:
    estimate, sd = np.array([-0.2, -0.2, -0.2, -0.5, -0.5]), np.array([0.02, 0.02, 0.02, 0.02, 0.4])
    found = shrink(estimate, np.diag(sd**2))
    assert abs(found.mean[3] + 0.5) < 0.06
    assert found.mean[4] > -0.36
    assert ((found.low < found.mean) & (found.mean < found.high)).all()
    alone = shrink(np.array([-0.3]), np.array([[0.01]]))
    assert alone.mean[0] == -0.3
    assert alone.high[0] == pytest.approx(-0.3 + 1.6449 * 0.1, abs=1e-3)


def test_intervals_of_shrunken_effects_cover_over_a_population_of_groups() -> None:
    rng = np.random.default_rng(3)
    covered = []
    for _ in range(300):
        true = rng.normal(-0.2, 0.04, 6)
        found = shrink(rng.normal(true, 0.03), 0.03**2 * np.eye(6))
        covered.append((found.low <= true) & (true <= found.high))
    assert 0.87 <= np.mean(covered) <= 0.94


def test_weibull_shape_agrees_with_the_full_likelihood() -> None:
    rng = np.random.default_rng(4)
    life = 3.0 * rng.weibull(4.0, 2000)
    entry = rng.uniform(0, 1.5, life.size)
    seen = life > entry
    leave, died = np.minimum(life, 3.2)[seen], (life <= 3.2)[seen]
    entry = entry[seen]

    def cost(theta: np.ndarray) -> float:
        k, scale = np.exp(theta)
        density = died * (np.log(k / scale) + (k - 1) * np.log(leave / scale))
        return -float((density - (leave / scale) ** k + (entry / scale) ** k).sum())

    full = optimize.minimize(cost, np.log([2.0, 2.0]), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-8})
    assert weibull_shape(entry, leave, died) == pytest.approx(np.exp(full.x[0]), rel=0.01)  # the weak prior is in it


def test_hazard_ratio_is_the_exact_comparison_of_two_poisson_counts() -> None:
    """R 4.2 poisson.test(c(11, 23), c(800, 3011)), the data of its help page: ratio 1.800054, p 0.1366."""
    group = np.r_[np.zeros(800), np.ones(3011)].astype(np.int64)
    died = np.zeros(group.size, bool)
    died[:11] = died[800:823] = True
    leave = np.ones(group.size)
    found = compare_hazards(group, 2, 0 * leave, leave, died, level=0.95)
    assert found.p_value[0] == pytest.approx(0.1366, abs=5e-5)
    assert found.ratio[0] == pytest.approx(1.800054, abs=1e-6)
    assert (found.low[0], found.high[0]) == pytest.approx((0.7922051, 3.8438627), abs=1e-6)


def test_no_deaths_say_nothing_and_say_so() -> None:
    group = np.array([0, 0, 1, 1])
    found = compare_hazards(group, 2, np.zeros(4), np.ones(4), np.zeros(4, bool))
    assert (found.p_value == 1.0).all()
    assert np.isnan(found.ratio).all()
    assert found.low[0] == 0.0 and np.isnan(found.high[0])
    assert np.allclose([found.shrunken(0), found.draws(0, 100_000, np.random.default_rng(1)).mean()], 1.0, atol=0.15)


def test_renewals_of_a_lot_without_life_have_no_cost() -> None:
    ones = np.ones(3)
    found = extra_cost(10 * ones, np.array([1.0, 0.0, 2.0]), np.array([2.0, 2.0, 0.0]), 100 * ones, 4.0)
    assert found[0] == pytest.approx(10 * 100 * (4.0 / 1.0 - 4.0 / 2.0))  # renewals over the horizon, elementary renewal theorem
    assert np.isnan(found[1:]).all()
