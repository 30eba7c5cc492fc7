"""The sweeps give what the dense matrices give."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from sensorhealth.health.path_filter import Padded, PathPrior, forward, pad, readings_loglik, scores

MEAN = np.array([0.7, -0.1])
SPREAD = np.array([[0.02, -0.003], [-0.003, 0.004]])
NOISE, WANDER, SHOCK = 0.001, 0.0005, 0.01


def series(seed: int, count: int) -> tuple[Padded, np.ndarray, np.ndarray]:
    """One series with a known step and some readings left out; its clock values and which are seen."""
    rng = np.random.default_rng(seed)
    g = np.sort(rng.uniform(0, 3, count))
    seen = rng.random(count) < 0.8
    seen[0] = True
    shock = np.where(np.arange(count) == count // 2, SHOCK, 0.0)
    y = 0.7 - 0.1 * g + 0.2 * rng.standard_normal(count)
    column = [a[:, None] for a in (y, g, np.full(count, NOISE), seen, shock)]
    return Padded(*column), g, seen


def dense(data: Padded) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Residual, covariance and design of the readings that are seen."""
    g, seen = data.g[:, 0], data.seen[:, 0]
    design = np.c_[np.ones(len(g)), g]
    later = (np.arange(len(g)) >= np.argmax(data.shock[:, 0])).astype(float)
    covariance = NOISE * np.eye(len(g)) + design @ SPREAD @ design.T + WANDER * np.minimum.outer(g, g)
    covariance += data.shock.max() * np.outer(later, later)
    return (data.y[:, 0] - design @ MEAN)[seen], covariance[np.ix_(seen, seen)], design[seen]


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.integers(2, 12))
def test_sweeps_equal_dense_matrices(seed: int, count: int) -> None:
    data, g, seen = series(seed, count)
    residual, covariance, design = dense(data)
    sweep = forward(data, MEAN[:, None], SPREAD[:, :, None], WANDER)
    expected = multivariate_normal(np.zeros(len(residual)), covariance).logpdf(residual)
    assert sweep.loglik[0] == pytest.approx(expected, rel=1e-9)
    assert readings_loglik(data, sweep).sum() == pytest.approx(expected, rel=1e-9)
    found = scores(data, sweep)
    inverse = np.linalg.inv(covariance)
    for j in range(count):
        step = (np.arange(count) >= j)[seen].astype(float)
        np.testing.assert_allclose(found.step_score[j, 0], step @ inverse @ residual, rtol=1e-7, atol=1e-7)
        np.testing.assert_allclose(found.step_information[j, 0], step @ inverse @ step, rtol=1e-7, atol=1e-7)
        bend = np.maximum(g - (g[j - 1] if j else 0.0), 0.0)[seen]
        np.testing.assert_allclose(found.bend_score[j, 0], bend @ inverse @ residual, rtol=1e-7, atol=1e-7)
        np.testing.assert_allclose(found.bend_information[j, 0], bend @ inverse @ bend, rtol=1e-7, atol=1e-7)
        error = (np.arange(count) == j)[seen].astype(float)
        if seen[j]:
            np.testing.assert_allclose(found.error_score[j, 0], error @ inverse @ residual, rtol=1e-7, atol=1e-7)
            np.testing.assert_allclose(found.error_information[j, 0], error @ inverse @ error, rtol=1e-7)
        else:
            assert np.isnan(found.error_score[j, 0])
    posterior = MEAN + SPREAD @ found.start_score[:, 0]
    np.testing.assert_allclose(posterior, MEAN + SPREAD @ design.T @ inverse @ residual, rtol=1e-8)
    np.testing.assert_allclose(found.start_information[:, :, 0], design.T @ inverse @ design, rtol=1e-7)


def test_series_side_by_side_do_not_touch() -> None:
    parts = [series(seed, 7)[0] for seed in range(3)]
    together = Padded(*(np.hstack([getattr(p, name) for p in parts]) for name in Padded.__dataclass_fields__))
    alone = [forward(p, MEAN[:, None], SPREAD[:, :, None], WANDER).loglik[0] for p in parts]
    np.testing.assert_allclose(forward(together, MEAN[:, None], SPREAD[:, :, None], WANDER).loglik, alone)


def test_padding_keeps_series_apart() -> None:
    flat = np.arange(5.0)
    np.testing.assert_array_equal(pad(flat, np.array([0, 2]), np.array([2, 3]), -1.0), [[0, 2], [1, 3], [-1, 4]])


def test_a_jump_moves_the_robust_filter_less() -> None:
    g = np.arange(10.0) / 4
    y = np.where(np.arange(10) == 5, -3.0, 0.7)
    column = [a[:, None] for a in (y, g, np.full(10, NOISE), np.ones(10, bool), np.zeros(10))]
    data = Padded(*column)
    plain = forward(data, MEAN[:, None], SPREAD[:, :, None], WANDER)
    robust = forward(data, MEAN[:, None], SPREAD[:, :, None], WANDER, degrees=5.0)
    assert abs(robust.innovation[6, 0]) < 0.3 * abs(plain.innovation[6, 0])


def test_clock_of_a_power() -> None:
    prior = PathPrior(MEAN, SPREAD, NOISE, WANDER, power=2.0)
    np.testing.assert_allclose(prior.clock(np.array([-1.0, 0.0, 3.0])), [0.0, 0.0, 9.0])
