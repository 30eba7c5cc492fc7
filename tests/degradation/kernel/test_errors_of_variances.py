"""Standard errors of the variances against closed forms for balanced data and against simulation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from dense_crossed_model import Dense, random_problem, some_parameters

from sensorhealth.degradation.reml import CrossedClass, CrossedData, VarianceParameters, fit


def test_balanced_one_way_layout_has_the_errors_of_the_analysis_of_variance(published: Path) -> None:
    """Searle, Casella and McCulloch (1992), Variance Components, 3.5: Var(MS) = 2 MS^2 / df and the two independent."""
    table = pd.read_csv(published / "dyestuff.csv")
    y = table["Yield"].to_numpy(float)
    data = CrossedData(y, np.ones((30, 1)), np.arange(7) * 5, np.zeros(30), None, (), "intercept")
    found = fit(data)
    within, between = 2451.25, 2451.25 + 5 * 1764.05
    expected = np.sqrt(2 * within**2 / 24 + 2 * between**2 / 5) / 5
    assert found.parameter_errors.residual == pytest.approx(within * np.sqrt(2 / 24), rel=1e-5)
    assert found.parameter_errors.sensor[0, 0] == pytest.approx(expected, rel=1e-5)
    as_class = CrossedData(y, data.x, np.array([0, 30]), data.g, None, (CrossedClass("b", np.arange(30) // 5, None, 6),), "none")
    assert fit(as_class).parameter_errors.crossed["b"] == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("brownian", [False, True])
def test_errors_are_those_of_the_dense_average_information(brownian):
    """Gilmour, Thompson and Cullis (1995): information of variances k, l is y'P V_k P V_l P y / 2."""
    data = random_problem(21, sensors=40, longest=12)
    drawn = Dense(data, some_parameters(data, 0.02))
    noise = np.linalg.cholesky(drawn.v) @ np.random.default_rng(2).standard_normal(len(data.y))
    data = replace(data, y=1.0 - 0.1 * data.g + noise)
    found = fit(data, brownian=brownian)
    dense = Dense(data, found.parameters)
    x, v_inv = data.x, dense.v_inv
    p = v_inv - v_inv @ x @ dense.c @ x.T @ v_inv
    s, g = dense.sensor, data.g
    same = s[:, None] == s[None, :]
    parts = [np.diag(1 / data.weights), same * 1.0, same * (g[:, None] + g[None, :]), same * np.outer(g, g)]
    parts += [t @ t.T for t in Dense.terms(data)]
    if brownian:
        parts.append(same * np.minimum(g[:, None], g[None, :]))
    p_y = p @ data.y
    q = np.stack([part @ p_y for part in parts])
    at = found.parameters
    values = np.array([at.residual, *at.sensor[np.triu_indices(2)], *at.crossed.values(), at.brownian])[: len(parts)]
    inside = values != 0
    inside[4:] = values[4:] > 1e-8
    assert inside.sum() >= 6 and np.all(np.linalg.eigvalsh(at.sensor) > 1e-6)
    errors = np.sqrt(np.diag(np.linalg.inv(0.5 * (q @ p @ q.T)[np.ix_(inside, inside)])))
    ours = found.parameter_errors
    mine = np.array([ours.residual, *ours.sensor[np.triu_indices(2)], *ours.crossed.values(), ours.brownian])
    np.testing.assert_allclose(mine[: len(parts)][inside], errors, rtol=1e-4)
    np.testing.assert_allclose(mine[: len(parts)][~inside], 0.0, atol=1e-4)


@pytest.mark.slow
def test_errors_are_the_spread_of_estimates_over_simulated_fleets(study_size: Callable[[int], int]):
    rng = np.random.default_rng(12)
    truth = VarianceParameters(9e-4, np.array([[0.01, -6e-4], [-6e-4, 4e-4]]), {"gas": 4e-4}, 2e-4)
    fleets, n, m, cylinders = study_size(300), 150, 12, 40
    estimates, errors = [], []
    root = np.linalg.cholesky(truth.sensor)
    for _ in range(fleets):
        g = np.sort(rng.uniform(0, 4, (n, m)), axis=1)
        u = rng.standard_normal((n, 2)) @ root.T
        cylinder = rng.integers(0, cylinders, (n, m))
        wander = np.cumsum(np.sqrt(2e-4 * np.diff(g, axis=1, prepend=0.0)) * rng.standard_normal((n, m)), axis=1)
        y = 0.7 - 0.06 * g + u[:, :1] + u[:, 1:] * g + 0.02 * rng.standard_normal(cylinders)[cylinder]
        y += wander + 0.03 * rng.standard_normal((n, m))
        x = np.column_stack((np.ones(n * m), g.ravel()))
        gas = CrossedClass("gas", cylinder.ravel(), None, cylinders)
        found = fit(CrossedData(y.ravel(), x, np.arange(n + 1) * m, g.ravel(), None, (gas,)), brownian=True)
        for out, p in ((estimates, found.parameters), (errors, found.parameter_errors)):
            out.append([p.residual, *p.sensor[np.triu_indices(2)], p.crossed["gas"], p.brownian])
    spread, stated = np.std(estimates, axis=0), np.mean(errors, axis=0)
    true = np.array([truth.residual, *truth.sensor[np.triu_indices(2)], 4e-4, 2e-4])
    slack = 4 / np.sqrt(2 * fleets)
    np.testing.assert_allclose(spread, stated, rtol=slack + 0.05)
    assert np.all(np.abs(np.mean(estimates, axis=0) - true) < 4 * spread / np.sqrt(fleets) + 0.03 * np.abs(true))
