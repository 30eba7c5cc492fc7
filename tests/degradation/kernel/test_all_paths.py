"""Paths of many lives at once, and what lives share by conjugate gradients, against dense matrices."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from sensorhealth.degradation import all_shared
from sensorhealth.degradation.all_lines import Apart, Lines, paths_of
from sensorhealth.degradation.all_paths import Paths
from sensorhealth.degradation.all_shared import Shared, solve_shared
from sensorhealth.errors import FitError

D = np.array([[0.04, -0.005], [-0.005, 0.02]])
THREE = np.array([D[0, 0], D[0, 1], D[1, 1]])[:, None]
BROWNIAN = 0.01


def _lives(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    count = np.array([5, 0, 3, 8, 1, 8])
    g = np.concatenate([np.sort(rng.uniform(0.0, 3.0, k)) for k in count])
    step = np.where(rng.random(g.size) < 0.2, 0.05, 0.0)
    return np.concatenate([[0], np.cumsum(count)]), g, rng.uniform(0.5, 2.0, g.size) * 1e-2, step


def _covariance(g: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Of level + slope g + wander + steps at the readings of one life."""
    so_far = np.cumsum(step)
    line = D[0, 0] + D[0, 1] * (g[:, None] + g) + D[1, 1] * np.outer(g, g)
    return line + BROWNIAN * np.minimum.outer(g, g) + np.minimum.outer(so_far, so_far)


def test_paths_are_those_of_dense_normal_theory() -> None:
    offsets, g, noise, step = _lives(3)
    y = np.random.default_rng(4).normal(size=g.size)
    paths = Paths(offsets, g, noise, THREE, BROWNIAN, step)
    weighed, mean, variance = np.empty((3, g.size))
    mean[paths.order], state = paths.smoothed(y[paths.order])
    weighed[paths.order], variance[paths.order], spread = paths.weigh(y[paths.order]), paths.variance(), paths.covariance
    for life, (a, b) in enumerate(itertools.pairwise(offsets)):
        if a == b:
            np.testing.assert_allclose(spread[:, life], THREE[:, 0])
            continue
        own, last = slice(a, b), g[b - 1]
        k = _covariance(g[own], step[own])
        inverse = np.linalg.inv(k + np.diag(noise[own]))
        np.testing.assert_allclose(weighed[own], inverse @ y[own], rtol=1e-8, atol=1e-10)
        np.testing.assert_allclose(mean[own], k @ inverse @ y[own], rtol=1e-8, atol=1e-10)
        np.testing.assert_allclose(variance[own], np.diag(k - k @ inverse @ k), rtol=1e-8)
        level = D[0, 0] + D[0, 1] * g[own] + BROWNIAN * g[own] + np.cumsum(step[own])
        with_readings = np.stack([level, D[0, 1] + D[1, 1] * g[own]])
        now = np.array([[D[0, 0] + BROWNIAN * last + step[own].sum(), D[0, 1]], [D[0, 1], D[1, 1]]])
        left = now - with_readings @ inverse @ with_readings.T
        np.testing.assert_allclose(state[:, life], with_readings @ inverse @ y[own], rtol=1e-8, atol=1e-10)
        np.testing.assert_allclose(spread[:, life], [left[0, 0], left[0, 1], left[1, 1]], rtol=1e-7)


@pytest.mark.parametrize("stepping", [0.0, 0.4, 1.0])
def test_paths_that_do_not_wander_are_found_in_closed_form(stepping: float) -> None:
    offsets, g, noise, step = _lives(3)
    own = np.repeat(np.random.default_rng(5).random(offsets.size - 1) < stepping, np.diff(offsets))
    step, y = np.where(own, step + 0.01, 0.0), np.random.default_rng(4).normal(size=g.size)
    noise[2] = np.inf  # a place that was not read
    found = []
    for paths in (Paths(offsets, g, noise, THREE, 0.0, step), paths_of(offsets, g, noise, THREE, 0.0, step)):
        each = np.empty((3, g.size))
        mean, state = paths.smoothed(y[paths.order])
        each[:, paths.order] = paths.weigh(y[paths.order]), mean, paths.variance()
        found.append((each, state, paths.covariance))
    assert isinstance(paths, {0.0: Lines, 0.4: Apart, 1.0: Apart}[stepping])  # lives without readings never step
    for one, other in zip(*found):
        np.testing.assert_allclose(one, other, rtol=1e-8, atol=1e-10)


def test_lives_of_one_level_are_lines_of_no_slope() -> None:
    offsets, g, noise, _ = _lives(9)
    y, level = np.random.default_rng(4).normal(size=g.size), np.array([[0.04], [0.0], [0.0]])
    lines, paths = Lines(offsets, g, noise, level), Paths(offsets, g, noise, level, 0.0, np.zeros(g.size))
    np.testing.assert_allclose(lines.weigh(y)[paths.order], paths.weigh(y[paths.order]), rtol=1e-8)
    np.testing.assert_allclose(lines.covariance, paths.covariance, rtol=1e-8, atol=1e-18)


def test_a_place_that_was_not_read_says_nothing_and_is_foretold() -> None:
    offsets, g, noise, step = np.array([0, 3]), np.array([0.5, 1.0, 2.0]), np.array([0.01, np.inf, 0.02]), np.zeros(3)
    y = np.array([0.3, 99.0, -0.1])
    paths = Paths(offsets, g, noise, THREE, BROWNIAN, step)
    k, read = _covariance(g, step), [0, 2]
    inverse = np.linalg.inv(k[np.ix_(read, read)] + np.diag(noise[read]))
    np.testing.assert_allclose(paths.smoothed(y)[0], k[:, read] @ inverse @ y[read], rtol=1e-9)
    np.testing.assert_allclose(paths.variance(), np.diag(k - k[:, read] @ inverse @ k[read]), rtol=1e-9)


def test_shared_effects_solve_the_dense_equations() -> None:
    offsets, g, noise, step = _lives(7)
    rng = np.random.default_rng(8)
    index, value, y = rng.integers(-1, 4, g.size), rng.uniform(0.5, 1.5, g.size), rng.normal(size=g.size)
    x, prior = np.column_stack([np.ones(g.size), g]), np.array([0.1, 0.02, 0.3, 0.05])
    paths = Paths(offsets, g, noise, THREE, BROWNIAN, step)
    o = paths.order
    found = solve_shared(paths, y[o], x[o], [Shared(index[o], value[o], prior)], (np.zeros(2), [np.zeros(4)]), 1e-12)
    v = np.zeros((g.size, g.size))
    for a, b in itertools.pairwise(offsets):
        v[a:b, a:b] = _covariance(g[a:b], step[a:b]) + np.diag(noise[a:b])
    table = np.where(index[:, None] == np.arange(4), value[:, None], 0.0)
    whole = np.linalg.inv(v + table @ np.diag(prior) @ table.T)
    beta = np.linalg.solve(x.T @ whole @ x, x.T @ whole @ y)
    np.testing.assert_allclose(found[0], beta, rtol=1e-7)
    np.testing.assert_allclose(found[1][0], prior * (table.T @ whole @ (y - x @ beta)), rtol=1e-6, atol=1e-9)


def _with_lots_and_fade(seed: int) -> tuple[Lines, np.ndarray, np.ndarray, list[Shared]]:
    """400 lives that meet 60 cylinders, each of which fades, and come from six lots with levels and slopes of their own."""
    rng = np.random.default_rng(seed)
    offsets, g = np.arange(0, 4001, 10), np.sort(rng.uniform(0.0, 3.0, (400, 10)), axis=1).ravel()
    paths = Lines(offsets, g, np.full(g.size, 1e-3), THREE)
    lot, cylinder = np.repeat(rng.integers(-1, 6, 400), 10), rng.integers(0, 60, g.size)
    x, y = np.column_stack([np.ones(g.size), g]), rng.normal(size=g.size)
    opened = rng.uniform(0.0, 1.0, g.size)
    gas = [Shared(cylinder, None, np.full(60, 0.01)), Shared(cylinder, opened, np.full(60, 0.02))]
    return paths, x, y, [*gas, Shared(lot, None, np.full(6, 0.03), 0), Shared(lot, g, np.full(6, 0.02), 1)]


def test_lots_and_fading_gas_are_solved_for_as_dense_equations_are() -> None:
    paths, x, y, classes = _with_lots_and_fade(9)
    found = solve_shared(paths, y, x, classes, (np.zeros(2), [np.zeros(item.variance.size) for item in classes]), 1e-10)
    columns = [item.on_readings(row) for item in classes for row in np.eye(item.variance.size)]
    every = np.column_stack([x, *columns])
    held = np.diag(np.concatenate([np.zeros(2), *(item.precision for item in classes)]))
    solved = np.linalg.solve(every.T @ np.stack([paths.weigh(one) for one in every.T], axis=1) + held, every.T @ paths.weigh(y))
    np.testing.assert_allclose(np.concatenate([found[0], *found[1]]), solved, rtol=1e-6, atol=1e-8)


def test_lots_and_fading_gas_do_not_make_the_way_long(monkeypatch: pytest.MonkeyPatch) -> None:
    """Taken for any other columns they do: the same equations are then not solved in as many steps."""
    paths, x, y, classes = _with_lots_and_fade(10)
    begin = np.zeros(2), [np.zeros(item.variance.size) for item in classes]
    monkeypatch.setattr(all_shared, "MOST_STEPS", 16)
    solve_shared(paths, y, x, classes, begin, 1e-6)
    apart = [replace(item, varies=-1) for item in classes]
    with pytest.raises(FitError, match="do not come to rest"):
        solve_shared(paths, y, x, [*apart[::2], *apart[1::2]], begin, 1e-6)


def test_what_other_readings_say_of_the_fixed_effects_is_as_good_as_these_readings() -> None:
    """Half of the lives, with what the other half says of the common path, give that path as all lives do."""
    offsets, g, noise, step = _lives(11)
    y, x = np.random.default_rng(12).normal(size=g.size), np.stack([np.ones(g.size), g], axis=1)
    lives = offsets.size - 1
    halves = []
    for first, last in ((0, lives // 2), (lives // 2, lives), (0, lives)):
        own = slice(offsets[first], offsets[last])
        paths = Paths(offsets[first : last + 1] - offsets[first], g[own], noise[own], THREE, BROWNIAN, step[own])
        halves.append((paths, y[own][paths.order], x[own][paths.order]))
    paths, told, rows = halves[0]
    information = rows.T @ np.stack([paths.weigh(column) for column in rows.T], axis=1)
    mean = np.linalg.solve(information, rows.T @ paths.weigh(told))
    begin = np.zeros(2), []
    both, _ = solve_shared(*halves[1], [], begin, 1e-10, (mean, information))
    every, _ = solve_shared(*halves[2], [], begin, 1e-10)
    alone, _ = solve_shared(*halves[1], [], begin, 1e-10)
    np.testing.assert_allclose(both, every, rtol=1e-6)
    assert np.abs(alone - every).max() > 1e-3
