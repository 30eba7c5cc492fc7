"""Criterion, estimates, predictions and their errors against the same model by dense matrices."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dense_crossed_model import Dense, random_problem, some_parameters, without_class_variance

from sensorhealth.degradation.reml import CrossedData, VarianceParameters, deviance, fit, solve
from sensorhealth.degradation.reml_inverse import Covariance

CASES = [
    (seed, random, brownian, fixed, wiggle)
    for seed, (random, brownian, fixed, wiggle) in enumerate(
        [
            ("intercept+slope", 0.0, None, 0.0),
            ("intercept+slope", 0.05, None, 0.0),
            ("intercept", 0.05, 0.4, 0.0),
            ("slope", 0.0, 0.4, 0.0),
            ("none", 0.0, None, 0.0),
            ("none", 0.1, None, 0.0),
            ("intercept+slope", 0.05, 0.4, 0.0),
        ]
    )
]
CASES += [(7, "intercept+slope", 0.05, None, 1.5), (9, "none", 0.1, None, 4.0), (11, "intercept", 0.0, 0.4, 0.6)]


def make(case: tuple[int, str, float, float | None, float]) -> tuple[CrossedData, VarianceParameters, Dense]:
    seed, random, brownian, fixed, wiggle = case
    data = random_problem(seed, random=random, fixed=fixed, duplicates=True, wiggle=wiggle)
    parameters = some_parameters(data, brownian)
    return data, parameters, Dense(data, parameters)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("method", ["REML", "ML"])
def test_criterion_and_fixed_effects_are_those_of_the_dense_model(case, method):
    data, parameters, dense = make(case)
    assert deviance(data, parameters, method) == pytest.approx(dense.deviance(method), abs=1e-9)
    found = solve(data, parameters, method)
    assert found.deviance == pytest.approx(dense.deviance(method), abs=1e-9)
    np.testing.assert_allclose(found.beta, dense.beta, rtol=1e-9, atol=1e-11)
    np.testing.assert_allclose(found.beta_covariance, dense.c, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("case", CASES)
def test_covariance_of_all_readings_its_inverse_and_its_parts_are_those_of_the_dense_model(case):
    data, parameters, dense = make(case)
    found = solve(data, parameters)
    covariance = Covariance(found.evaluation)
    np.testing.assert_allclose(covariance.solve(np.eye(len(data.y))), dense.v_inv, rtol=1e-9, atol=1e-9)
    parts = covariance.parts(np.eye(len(data.y)))
    whole = sum(value * part for value, part in zip(found.variances, parts, strict=True))
    np.testing.assert_allclose(whole, dense.v, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("case", CASES)
def test_predictions_and_their_errors_are_those_of_the_dense_model(case):
    data, parameters, dense = make(case)
    found = solve(data, parameters)
    s = dense.sensor
    mean, cov = dense.predict(data.x, dense.latent, dense.latent)
    np.testing.assert_allclose(found.fitted, mean, atol=1e-9)
    np.testing.assert_allclose(found.fitted_variance, np.diag(cov), atol=1e-10)
    z = np.column_stack((np.ones(len(s)), data.g))
    for i in range(data.sensors):
        k = parameters.sensor @ (z * (s == i)[:, None]).T
        mean, cov = dense.predict(np.zeros((2, data.x.shape[1])), k, parameters.sensor)
        np.testing.assert_allclose(found.sensor_effects[i], mean, atol=1e-9)
        np.testing.assert_allclose(found.sensor_covariance[i], cov, atol=1e-10)
    for c, t in zip(data.classes, Dense.terms(data)):
        scale = np.ones(c.size) if c.scale is None else c.scale
        prior = parameters.crossed[c.name] * np.eye(c.size)
        mean, cov = dense.predict(np.zeros((c.size, data.x.shape[1])), prior @ t.T, prior)
        np.testing.assert_allclose(found.crossed[c.name][0], mean * scale, atol=1e-9)
        np.testing.assert_allclose(found.crossed[c.name][1], np.diag(cov) * scale**2, atol=1e-10)


def new_rows(data: CrossedData, m: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(99)
    sensor = rng.integers(0, data.sensors, m)
    g = rng.uniform(0.0, 6.0, m)
    g[:3] = [0.0, data.g[0], data.g[-1]]
    sensor[1], sensor[2] = 0, data.sensors - 1
    x = np.column_stack((np.ones(m), g, rng.standard_normal(m)))
    return sensor, g, x, rng.integers(-1, 4, m), rng.integers(-1, 5, m)


@pytest.mark.parametrize("case", CASES)
def test_readings_at_other_times_and_cylinders_are_predicted_as_by_the_dense_model(case):
    data, parameters, dense = make(case)
    found = solve(data, parameters)
    sensor, g, x, gas, session = new_rows(data)
    value = np.linspace(0, 1, len(g))
    mean, variance = found.functional(sensor, x, g, {"gas": gas, "fade": (gas, value), "session": session})
    moved = replace(
        data,
        classes=tuple(
            replace(c, index=index, value=v) for c, index, v in zip(data.classes, (gas, gas, session), (None, value, None))
        ),
    )
    t = Dense.terms(moved)
    k = dense.cov_latent(sensor, g, t, dense.sensor, data.g, Dense.terms(data))
    expected, cov = dense.predict(x, k, dense.cov_latent(sensor, g, t, sensor, g, t))
    np.testing.assert_allclose(mean, expected, atol=1e-9)
    np.testing.assert_allclose(variance, np.diag(cov), atol=1e-9)


@pytest.mark.parametrize("case", CASES)
def test_joint_posterior_of_level_and_slope_is_that_of_the_dense_model(case):
    data, parameters, dense = make(case)
    found = solve(data, parameters)
    n, p = data.sensors, data.x.shape[1]
    rng = np.random.default_rng(5)
    x_level, x_slope = rng.standard_normal((2, n, p))
    lot = rng.integers(-1, 5, n)
    mean, cov = found.posterior(x_level, x_slope, {"session": lot}, {"gas": np.minimum(lot, 3)})
    scale = data.classes[0].scale
    t = Dense.terms(data)
    for i in range(n):
        own = dense.sensor == i
        last = data.g[own][-1] if own.any() else 0.0
        z = np.column_stack((own * 1.0, own * data.g))
        k = parameters.sensor @ z.T
        k[0] += parameters.brownian * own * np.minimum(last, data.g)
        prior = parameters.sensor + np.diag([parameters.brownian * last, 0.0])
        if lot[i] >= 0:
            k[0] += parameters.crossed["session"] * t[2][:, lot[i]]
            prior[0, 0] += parameters.crossed["session"]
            column = min(lot[i], 3)
            k[1] += parameters.crossed["gas"] * t[0][:, column] * scale[column]
            prior[1, 1] += parameters.crossed["gas"] * scale[column] ** 2
        expected, covariance = dense.predict(np.stack((x_level[i], x_slope[i])), k, prior)
        np.testing.assert_allclose(mean[i], expected, atol=1e-9)
        np.testing.assert_allclose(cov[i], covariance, atol=1e-9)


@pytest.mark.parametrize("case", [case for case in CASES if case[-1]])
def test_what_readings_wiggle_by_at_the_last_is_told_as_by_the_dense_model(case):
    data, parameters, dense = make(case)
    found = solve(data, parameters)
    n, p = data.sensors, data.x.shape[1]
    x_level, x_slope = np.random.default_rng(5).standard_normal((2, n, p))
    mean, variance, with_path = found.returning(x_level, x_slope)
    for i in range(n):
        own = np.flatnonzero(dense.sensor == i)
        z = np.column_stack(((dense.sensor == i) * 1.0, (dense.sensor == i) * data.g))
        last = data.g[own[-1]] if own.size else 0.0
        k = np.vstack((parameters.sensor @ z.T, dense.wiggle[own[-1]] if own.size else np.zeros(len(data.g))))
        k[0] += parameters.brownian * z[:, 0] * np.minimum(last, data.g)
        prior = np.zeros((3, 3))
        prior[:2, :2] = parameters.sensor
        prior[0, 0] += parameters.brownian * last
        prior[2, 2] = data.returning.share * parameters.residual
        expected, covariance = dense.predict(np.stack((x_level[i], x_slope[i], np.zeros(p))), k, prior)
        assert mean[i] == pytest.approx(expected[2], abs=1e-9)
        assert variance[i] == pytest.approx(covariance[2, 2], abs=1e-10)
        np.testing.assert_allclose(with_path[i], covariance[2, :2], atol=1e-9)


@pytest.mark.parametrize("case", CASES[:3])
def test_posterior_given_draws_of_shared_effects_averages_to_the_joint_posterior(case):
    data, parameters, _ = make(case)
    found = solve(data, parameters)
    n = data.sensors
    x_level, x_slope = np.tile([1.0, 0, 0], (n, 1)), np.tile([0, 1.0, 0], (n, 1))
    lot = np.arange(n) % 5
    mean, cov = found.posterior(x_level, x_slope, {"session": lot})
    shared = found.draw_shared(np.random.default_rng(1), 40_000)
    given_mean, given_cov = found.posterior_given(shared, x_level, x_slope, {"session": lot})
    total = given_cov + np.stack([np.cov(given_mean[:, i].T) for i in range(n)])
    sd = np.sqrt(np.stack([cov[:, 0, 0], cov[:, 1, 1]], 1))
    assert np.max(np.abs(given_mean.mean(0) - mean) / sd) < 0.03
    np.testing.assert_allclose(total / (sd[:, :, None] * sd[:, None, :]), cov / (sd[:, :, None] * sd[:, None, :]), atol=0.05)


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("method", ["REML", "ML"])
def test_no_parameter_can_be_moved_to_a_lower_criterion(case, method):
    data, parameters, _ = make(case)
    found = fit(data, method=method, brownian=parameters.brownian > 0)
    assert found.converged
    best = Dense(data, found.parameters).deviance(method)
    assert found.deviance == pytest.approx(best, abs=1e-8)
    rng = np.random.default_rng(0)
    free = {c.name for c in data.classes if c.fixed_variance is None}
    for _ in range(30):
        p = found.parameters
        root = np.diag(np.exp(0.1 * rng.standard_normal(2)))
        moved = VarianceParameters(
            p.residual * np.exp(0.1 * rng.standard_normal()),
            root @ p.sensor @ root,
            {
                k: v * np.exp(0.1 * rng.standard_normal()) + (1e-4 * rng.random() if k in free else 0) if k in free else v
                for k, v in p.crossed.items()
            },
            p.brownian * np.exp(0.1 * rng.standard_normal()) + (1e-4 * rng.random() if p.brownian > 0 else 0),
        )
        assert Dense(data, moved).deviance(method) > best - 1e-9


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("method", ["REML", "ML"])
def test_gradient_is_the_slope_of_the_criterion(case, method):
    from sensorhealth.degradation.reml_criterion import Criterion
    from sensorhealth.degradation.reml_layout import make_layout

    data, parameters, _ = make(case)
    brownian = parameters.brownian > 0 or data.returning is not None
    criterion = Criterion(make_layout(data, brownian=brownian), method, brownian=brownian)
    steps = 1e-3 * np.maximum(np.abs(criterion.phi(parameters)), 1e-3)  # near zero too: the criterion is as smooth there

    def slope(phi, k, step):
        at = [phi.copy(), phi.copy()]
        at[0][k] += step
        at[1][k] -= step
        return (criterion(at[0]).value - criterion(at[1]).value) / (2 * step)

    for scale in (1.0, 1e-5):
        phi = criterion.phi(parameters)
        phi[: len(phi) - (not criterion.profiled)] *= scale
        gradient = criterion(phi).gradient
        fourth_order = [(4 * slope(phi, k, step) - slope(phi, k, 2 * step)) / 3 for k, step in enumerate(steps)]
        np.testing.assert_allclose(gradient, fourth_order, rtol=1e-7, atol=3e-8)


def test_zero_class_variances_leave_the_sensors_own_model():
    data, parameters, _ = make(CASES[0])
    bare = without_class_variance(parameters)
    alone = replace(data, classes=())
    assert deviance(data, bare) == pytest.approx(deviance(alone, replace(bare, crossed={})), abs=1e-10)
