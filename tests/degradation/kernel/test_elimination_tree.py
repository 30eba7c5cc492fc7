"""Effects that tie regions together are kept back: the tree's numbers are those of one dense block."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from dense_crossed_model import Dense
from drawn_fleets import fleet_with_lots, take_sensors
from numpy.testing import assert_allclose
from test_ways_of_elimination import assert_same

from sensorhealth.degradation import elimination_tree, reml
from sensorhealth.degradation.elimination_blocks import stacked_columns
from sensorhealth.degradation.reml import CrossedData, CrossedFit, VarianceParameters, fit
from sensorhealth.degradation.sharded_fit import fit_shards

PARAMETERS = {"gas": 4e-4, "session": 2e-4, "lot level": 3e-3, "lot slope": 1e-4}


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Take everything apart that falls apart."""
    monkeypatch.setattr(elimination_tree, "LARGE_BLOCK", 3)
    monkeypatch.setattr(elimination_tree, "SMALL_BLOCK", 1)
    monkeypatch.setattr(elimination_tree, "WORTH_IT", 0.95)


def tree_and_one_block(monkeypatch: pytest.MonkeyPatch, data: CrossedData, brownian: bool) -> tuple[CrossedFit, CrossedFit]:
    one = fit(data, brownian=brownian, tolerance=1e-13)
    monkeypatch.setattr(elimination_tree, "LARGE_BLOCK", 3)
    monkeypatch.setattr(elimination_tree, "SMALL_BLOCK", 1)
    return fit(data, brownian=brownian, tolerance=1e-13), one


@pytest.mark.parametrize("brownian", [False, True])
def test_lots_over_regions_are_kept_back_and_change_nothing(monkeypatch, brownian):
    data = fleet_with_lots(200)
    tree, one = tree_and_one_block(monkeypatch, data, brownian)
    blocks = tree.criterion.layout.blocks
    assert sum(len(block.into) > 0 for block in blocks) > 3
    assert sum(block.own > 0 for block in one.criterion.layout.blocks) == 1
    assert_same(tree, one)


def test_three_levels_are_the_dense_model(small_blocks):
    data = fleet_with_lots(60)
    parameters = VarianceParameters(9e-4, np.array([[0.01, -1e-4], [-1e-4, 4e-4]]), PARAMETERS, 1e-3)
    found, dense = reml.solve(data, parameters), Dense(data, parameters)
    depth = {-1: 0}
    blocks = found.criterion.layout.blocks
    for b in range(len(blocks) - 1, -1, -1):
        depth[b] = depth[blocks[b].parent] + 1
    assert max(depth.values()) >= 3
    assert found.deviance == pytest.approx(dense.deviance("REML"), abs=1e-8)
    mean, cov = dense.predict(data.x, dense.latent, dense.latent)
    assert_allclose(found.fitted, mean, atol=1e-10)
    assert_allclose(found.fitted_variance, np.diag(cov), atol=1e-11)
    everything = [np.zeros((c.size, 3)) for c in data.classes]
    for c, t in zip(data.classes, Dense.terms(data)):
        scale = np.ones(c.size) if c.scale is None else c.scale
        prior = parameters.crossed[c.name] * np.eye(c.size)
        mean, cov = dense.predict(everything[0][:1].repeat(c.size, 0), prior @ t.T, prior)
        assert_allclose(found.crossed[c.name][0], mean * scale, atol=1e-10)
        assert_allclose(found.crossed[c.name][1], np.diag(cov) * scale**2, atol=1e-11)


def test_covariances_between_any_two_effects_are_those_of_the_dense_model(small_blocks):
    data = fleet_with_lots(60)
    parameters = VarianceParameters(9e-4, np.array([[0.01, -1e-4], [-1e-4, 4e-4]]), PARAMETERS)
    found, dense = reml.solve(data, parameters), Dense(data, parameters)
    terms = dict(zip((c.name for c in data.classes), zip(data.classes, Dense.terms(data), strict=True), strict=True))
    rng = np.random.default_rng(0)
    for one, other in (("gas", "gas"), ("gas", "session"), ("session", "lot slope"), ("lot level", "lot slope")):
        (c1, t1), (c2, t2) = terms[one], terms[other]
        i, j = rng.integers(0, c1.size, 40), rng.integers(0, c2.size, 40)
        scales = [np.ones(c.size) if c.scale is None else c.scale for c in (c1, c2)]
        k = np.vstack((parameters.crossed[one] * t1.T, parameters.crossed[other] * t2.T))
        prior = np.zeros((len(k), len(k)))
        prior[: c1.size, : c1.size] = parameters.crossed[one] * np.eye(c1.size)
        prior[c1.size :, c1.size :] = parameters.crossed[other] * np.eye(c2.size)
        if one == other:
            prior[: c1.size, c1.size :] = prior[c1.size :, : c1.size] = parameters.crossed[one] * np.eye(c1.size)
        _, cov = dense.predict(np.zeros((len(k), 3)), k, prior)
        expected = cov[i, c1.size + j] * scales[0][i] * scales[1][j]
        assert_allclose(found.crossed_covariance(one, i, other, j), expected, atol=1e-12)


def test_draws_of_shared_effects_have_the_posterior_covariance(small_blocks):
    data = fleet_with_lots(60)
    found = reml.solve(data, VarianceParameters(9e-4, np.array([[0.01, -1e-4], [-1e-4, 4e-4]]), PARAMETERS))
    draws = found.draw_shared(np.random.default_rng(3), 40_000).crossed
    first = found.criterion.layout.first_column
    names = [c.name for c in data.classes]
    sd = np.sqrt(np.concatenate([found.crossed[name][1] for name in names]))
    assert_allclose(draws.std(axis=0), sd, rtol=0.03)
    rng = np.random.default_rng(4)
    for one, other in (("gas", "session"), ("gas", "lot level"), ("lot level", "lot slope")):
        a, b = names.index(one), names.index(other)
        i, j = rng.integers(0, first[a + 1] - first[a], 20), rng.integers(0, first[b + 1] - first[b], 20)
        x, y = draws[:, first[a] + i], draws[:, first[b] + j]
        seen = ((x - x.mean(0)) * (y - y.mean(0))).mean(0)
        size = sd[first[a] + i] * sd[first[b] + j]
        assert_allclose(seen / size, found.crossed_covariance(one, i, other, j) / size, atol=0.03)


@pytest.mark.parametrize("brownian", [False, True])
def test_shards_that_cut_through_leaves_give_the_fit_of_the_whole(small_blocks, brownian):
    data = fleet_with_lots(150)
    whole = fit(data, brownian=brownian, tolerance=1e-13)
    cuts = (0, 40, 41, 100, 150)
    found = fit_shards([take_sensors(data, a, b) for a, b in itertools.pairwise(cuts)], brownian=brownian, tolerance=1e-13)
    assert_allclose(found.phi, whole.phi, rtol=1e-8, atol=1e-9)
    assert_allclose(found.beta, whole.beta, rtol=1e-9)
    assert_allclose(np.vstack([part[0] for part in found.sensor_effects()]), whole.sensor_effects, atol=1e-9)
    for name, (mean, variance) in whole.crossed.items():
        assert_allclose(found.crossed[name][0], mean, atol=1e-9)
        assert_allclose(found.crossed[name][1], variance, rtol=1e-7, atol=1e-14)


def test_every_sensor_stands_in_the_leaf_that_holds_its_columns(small_blocks):
    data = fleet_with_lots(120)
    layout = reml.solve(data, VarianceParameters(1e-3, np.eye(2) * 1e-3, PARAMETERS)).criterion.layout
    columns, _, _ = stacked_columns(data)
    sensor = np.repeat(np.arange(data.sensors), np.diff(data.offsets))
    seen = np.zeros(data.sensors, dtype=int)
    for unit in layout.units:
        own = np.arange(data.sensors)[unit.sensors]
        seen[own] += 1
        met = columns[np.isin(sensor, own)]
        assert set(met[met >= 0].tolist()) <= set(layout.blocks[unit.block].columns.tolist())
    assert np.all(seen == 1)
    together = np.concatenate([block.columns[: block.own] for block in layout.blocks])
    assert np.array_equal(np.sort(together), np.arange(layout.columns))
