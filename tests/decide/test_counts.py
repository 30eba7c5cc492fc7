"""Counts, renewals and sums: against exact fractions, SciPy and published tables."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy import stats

from sensorhealth.decide.counts import (
    count_distribution,
    count_quantile,
    mixture_quantile,
    refined_normal_cdf,
    sum_cdf,
)
from sensorhealth.decide.flows import chains
from sensorhealth.decide.newlives import NewLives
from sensorhealth.decide.schemes import Ways


def _distribution(chances: ArrayLike) -> np.ndarray:
    """How many of independent events with these chances happen."""
    each = np.asarray(chances, dtype=float)
    return count_distribution(each[None, :, None], each.size)[0]


def _exact(chances: list[Fraction]) -> list[Fraction]:
    """Distribution of a count by the recursion, in fractions."""
    found = [Fraction(1)]
    for chance in chances:
        found = [
            (found[k] if k < len(found) else Fraction(0)) * (1 - chance) + (found[k - 1] * chance if k else Fraction(0))
            for k in range(len(found) + 1)
        ]
    return found


def test_five_sensors_give_the_exact_fractions() -> None:
    assert _distribution([0.1, 0.2, 0.3, 0.4, 0.5]) == pytest.approx([0.1512, 0.3714, 0.3274, 0.1274, 0.0214, 0.0012], abs=1e-15)


def test_fifty_sensors_agree_with_fractions_and_scipy() -> None:
    chances = [Fraction(i, 51) for i in range(1, 51)]
    found = _distribution([float(chance) for chance in chances])
    assert found == pytest.approx([float(value) for value in _exact(chances)], abs=2e-15)
    scipy = stats.poisson_binom.pmf(np.arange(51), np.arange(1, 51) / 51)
    assert found == pytest.approx(scipy, abs=1e-12)
    assert found[[15, 20, 25, 30]] == pytest.approx([3.538578e-4, 0.031619017, 0.136460086, 0.031619017], rel=1e-6)
    assert count_quantile(found[None, :], 0.95)[0] == 30.0


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=60))
def test_any_chances_give_a_distribution_with_their_mean(chances: list[float]) -> None:
    found = _distribution(chances)
    assert found.size == len(chances) + 1
    assert found.sum() == pytest.approx(1.0, abs=1e-12)
    assert found @ np.arange(found.size) == pytest.approx(sum(chances), abs=1e-9)


def test_positions_that_fail_more_than_once_are_counted_that_often() -> None:
    """Two positions: at least one with .5 and .2, at least two with .1 and 0; by hand."""
    at_least = np.array([[[0.5], [0.2]], [[0.1], [0.0]]])
    found = count_distribution(at_least, 4)[0]
    assert found == pytest.approx([0.5 * 0.8, 0.4 * 0.8 + 0.5 * 0.2, 0.1 * 0.8 + 0.4 * 0.2, 0.1 * 0.2, 0.0], abs=1e-15)


def test_three_moments_are_close_to_exact_for_a_large_fleet() -> None:
    chances = np.random.default_rng(3).uniform(0.0, 0.15, 2000)
    exact = np.cumsum(_distribution(chances))
    variance = (chances * (1 - chances)).sum()
    third = (chances * (1 - chances) * (1 - 2 * chances)).sum()
    close = refined_normal_cdf(np.arange(exact.size), chances.sum(), variance, third)
    assert np.abs(close - exact).max() < 2e-4


def test_money_of_many_payments_is_close_to_its_simulation() -> None:
    """200 sensors, planned 260 or failed 1760: quantiles of the translated gamma against 200 000 drawn sums."""
    rng = np.random.default_rng(5)
    planned, failed = rng.uniform(0.02, 0.1, 200), rng.uniform(0.0, 0.02, 200)
    moments = [planned * 260.0**k + failed * 1760.0**k for k in (1, 2, 3)]
    mean, variance = moments[0], moments[1] - moments[0] ** 2
    third = moments[2] - 3 * moments[0] * moments[1] + 2 * moments[0] ** 3
    draw = rng.random((200_000, 200), dtype=np.float32)
    sums = (np.where(draw < planned, 260.0, 0.0) + np.where(draw > 1 - failed, 1760.0, 0.0)).sum(axis=1)
    for level in (0.1, 0.5, 0.9):
        found = mixture_quantile(
            lambda x, at: sum_cdf(x, mean.sum(), variance.sum(), third.sum()), level, np.zeros(1), np.full(1, 1e5), False
        )[0]
        assert abs((sums <= found).mean() - level) < 0.025


def test_quantile_of_a_mixture_of_counts_is_the_smallest_that_reaches_the_level() -> None:
    means = np.array([[3.0], [9.0]])
    found = mixture_quantile(lambda x, at: stats.poisson.cdf(x, means).mean(axis=0), 0.9, np.zeros(1), np.full(1, 100.0), True)[0]
    cdf = stats.poisson.cdf(np.arange(40), means).mean(axis=0)
    assert found == np.argmax(cdf >= 0.9)


def _renewals(age: np.ndarray, ended: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Replacements by each of `edges` (days) of a sensor that is new at the start, replaced at failure: as budgets have them."""
    never, one, visits = np.full(1, np.inf), np.zeros(1), edges[None, :]
    rule = Ways(never, never, one, one, never, one, never, one, visits, np.zeros_like(visits), one)
    fresh = NewLives(("a kind",), age, np.zeros((1, age.size)), ended[None, :], (False,))
    first = np.diff(np.interp(edges, age, ended))
    return np.concatenate([[0.0], (first + first @ chains(fresh, rule, edges)[0].all_failed).cumsum()])


def test_replacements_of_replacements_are_the_published_renewals(published: Path) -> None:
    """shared/weibull_renewal_function.csv: power series (Smith and Leadbetter 1963), computed. A scale of 1 200 days, in
    months of 30: within a month a replacement is taken to be put in at its middle."""
    scale, age = 1200.0, np.arange(0.0, 3601.0)
    edges = np.arange(0.0, 3601.0, 30.0)
    for row in pd.read_csv(published / "weibull_renewal_function.csv").to_dict("records"):
        found = _renewals(age, stats.weibull_min.cdf(age, row["weibull_shape"], scale=scale), edges)
        times = ("0.5", "1", "1.5", "2", "3")
        at = [found[np.searchsorted(edges, float(t) * scale)] for t in times]
        assert at == pytest.approx([row[f"M_{t}"] for t in times], abs=4e-3)


def test_renewals_of_exact_cases() -> None:
    """Exponential lives: M = t. Erlang-2: t/2 - 1/4 + exp(-2t)/4. Uniform on (0, 1): e - 1 at 1. By algebra."""
    age = np.arange(0.0, 2001.0)
    edges, share = np.arange(0.0, 2001.0, 10.0), age / 1000.0
    assert _renewals(age, -np.expm1(-share), edges)[[100, 200]] == pytest.approx([1.0, 2.0], abs=2e-3)
    erlang = 1 - np.exp(-2 * share) * (1 + 2 * share)
    exact = [t - 0.25 + np.exp(-4 * t) / 4 for t in (1.0, 2.0)]
    assert _renewals(age, erlang, edges)[[100, 200]] == pytest.approx(exact, abs=2e-3)
    assert _renewals(age, np.minimum(share, 1.0), edges)[100] == pytest.approx(np.e - 1, abs=2e-3)
