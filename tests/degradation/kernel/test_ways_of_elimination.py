"""One model, several roads: blocks or all at once, dense tables or pairs, one store or shards give the same numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from dense_crossed_model import Dense, random_problem, some_parameters
from drawn_fleets import regional_fleet, take_sensors

from sensorhealth.degradation import elimination_tree, elimination_units, reml, reml_layout, reml_start
from sensorhealth.degradation.elimination_blocks import column_components, stacked_columns
from sensorhealth.degradation.reml import CrossedData, CrossedFit, fit
from sensorhealth.degradation.sharded_fit import fit_shards
from sensorhealth.errors import FitError


def everything(found: CrossedFit) -> list[np.ndarray]:
    """All numbers of a fit in a row of arrays, each scaled by its own size."""
    n, p = found.sensor_effects.shape[0], len(found.beta)
    rng = np.random.default_rng(3)
    mean, cov = found.posterior(rng.standard_normal((n, p)), rng.standard_normal((n, p)))
    crossed = [part for pair in found.crossed.values() for part in pair]
    parts = [found.phi, found.beta, found.beta_covariance, found.sensor_effects, found.sensor_covariance]
    parts += [found.fitted, found.fitted_variance, mean, cov, found.parameter_covariance, *crossed]
    return [np.asarray(part) / max(float(np.abs(part).max()), 1e-300) for part in parts]


def assert_same(one: CrossedFit, other: CrossedFit, tolerance: float = 1e-9) -> None:
    assert one.deviance == pytest.approx(other.deviance, abs=1e-9 * abs(other.deviance))
    for a, b in zip(everything(one), everything(other), strict=True):
        np.testing.assert_allclose(a, b, atol=tolerance)


@pytest.mark.parametrize("brownian", [False, True])
@pytest.mark.parametrize("sessions", [False, True])
def test_regions_solved_one_by_one_or_together_give_the_same_fit(monkeypatch, brownian, sessions):
    data = regional_fleet(300, sessions=sessions)
    monkeypatch.setattr(elimination_tree, "SMALL_BLOCK", 1)
    apart = fit(data, brownian=brownian, tolerance=1e-13)
    assert len(apart.criterion.layout.blocks) > 5
    monkeypatch.setattr(reml_layout, "part_components", lambda columns, offsets, first, j: np.zeros(first[-1], np.int64))
    together = fit(data, brownian=brownian, tolerance=1e-13)
    assert len(together.criterion.layout.blocks) == 2  # all columns, and the sensors without any
    assert_same(apart, together)


@pytest.mark.parametrize("brownian", [False, True])
def test_pairs_and_dense_tables_give_the_same_fit(monkeypatch, brownian):
    data = regional_fleet(120, sessions=True)
    dense = fit(data, brownian=brownian, tolerance=1e-13)
    monkeypatch.setattr(elimination_units, "DENSE_CELL", 1.0)
    sparse = fit(data, brownian=brownian, tolerance=1e-13)
    assert any(unit.layers is not None for unit in sparse.criterion.layout.units)
    assert all(unit.layers is None for unit in dense.criterion.layout.units)
    assert_same(dense, sparse)


def test_small_units_give_the_same_fit(monkeypatch):
    data = regional_fleet(200)
    whole = fit(data, tolerance=1e-13)
    monkeypatch.setattr(elimination_units, "UNIT_CELLS", 64)
    assert_same(whole, fit(data, tolerance=1e-13))


def test_a_first_look_at_a_few_blocks_changes_only_the_road(monkeypatch):
    data = regional_fleet(2000, region=40, per_region=50)
    quick = fit(data, tolerance=1e-13)
    assert len(quick.criterion.layout.blocks) > reml_start.THIN_BLOCKS
    monkeypatch.setattr(reml, "thin_sums", lambda sums: None)
    assert_same(quick, fit(data, tolerance=1e-13), 1e-7)


def cut_in_three(data: CrossedData) -> list[CrossedData]:
    n = data.sensors
    return [take_sensors(data, a, b) for a, b in ((0, n // 5), (n // 5, n // 2), (n // 2, n))]


@pytest.mark.parametrize("brownian", [False, True])
@pytest.mark.parametrize("method", ["REML", "ML"])
def test_three_shards_give_the_fit_of_the_whole(brownian, method):
    data = regional_fleet(250, sessions=True)
    whole = fit(data, brownian=brownian, method=method, tolerance=1e-13)
    found = fit_shards(cut_in_three(data), brownian=brownian, method=method, tolerance=1e-13)
    assert found.converged
    assert (found.readings, found.sensors) == (len(data.y), data.sensors)
    np.testing.assert_allclose(found.phi, whole.phi, rtol=1e-9)
    np.testing.assert_allclose(found.beta, whole.beta, rtol=1e-9)
    np.testing.assert_allclose(found.beta_covariance, whole.beta_covariance, rtol=1e-8, atol=1e-14)
    assert found.deviance == pytest.approx(whole.deviance, abs=1e-7)
    u = np.vstack([part[0] for part in found.sensor_effects()])
    cov = np.vstack([part[1] for part in found.sensor_effects()])
    np.testing.assert_allclose(u, whole.sensor_effects, atol=1e-9)
    np.testing.assert_allclose(cov, whole.sensor_covariance, rtol=1e-7, atol=1e-12)
    for name, (mean, variance) in whole.crossed.items():
        np.testing.assert_allclose(found.crossed[name][0], mean, atol=1e-9)
        np.testing.assert_allclose(found.crossed[name][1], variance, rtol=1e-7)


def test_shards_with_a_fixed_variance_give_the_fit_of_the_whole():
    data = random_problem(11, sensors=20, fixed=0.4)
    whole = fit(data, tolerance=1e-13)
    found = fit_shards(cut_in_three(data), tolerance=1e-13)
    np.testing.assert_allclose(found.phi, whole.phi, rtol=1e-7, atol=1e-7)
    assert found.parameters.crossed["session"] == pytest.approx(0.4)


def test_components_join_exactly_the_columns_that_sensors_join():
    data = regional_fleet(400, sessions=True)
    columns, _, first = stacked_columns(data)
    labels = column_components(columns, data.offsets, int(first[-1]))
    # by brute force: pass the smallest column on until nothing changes
    expected = np.arange(first[-1])
    sensor = np.repeat(np.arange(data.sensors), np.diff(data.offsets))
    while True:
        before = expected.copy()
        for i in range(data.sensors):
            met = columns[sensor == i]
            met = met[met >= 0]
            if len(met):
                expected[met] = expected[met].min()
        if np.array_equal(before, expected):
            break
    for smallest in np.unique(expected):
        assert len(np.unique(labels[expected == smallest])) == 1
    assert len(np.unique(labels)) == len(np.unique(expected))


def test_one_sensor_one_cylinder_no_cylinder_and_each_its_own_all_fit():
    lone = random_problem(1, sensors=3, longest=9, weights=False)
    for classes in ((), (lone.classes[0],)):
        found = fit(
            replace(
                take_sensors(lone, 0, 1),
                classes=tuple(replace(c, index=c.index[: lone.offsets[1]]) for c in classes),
                x=np.ones((int(lone.offsets[1]), 1)),
            )
        )
        assert found.converged
    data = regional_fleet(60)
    sensor = np.repeat(np.arange(60), np.diff(data.offsets))
    own = replace(data, classes=(replace(data.classes[0], index=sensor, size=60, scale=None),))
    found = fit(own)  # level and cylinder cannot be told apart: their sum can
    alone = fit(replace(data, classes=()))
    assert found.converged
    assert found.deviance == pytest.approx(alone.deviance, abs=1e-6)
    together = found.parameters.sensor[0, 0] + found.parameters.crossed["gas"]
    assert together == pytest.approx(alone.parameters.sensor[0, 0], rel=1e-3)


@pytest.mark.parametrize("brownian", [False, True])
def test_block_road_is_the_dense_model(brownian):
    data = regional_fleet(24, region=6, per_region=3, sessions=True)
    parameters = some_parameters(data, 0.02 if brownian else 0.0)
    dense = Dense(data, parameters)
    found = reml.solve(data, parameters)
    assert found.deviance == pytest.approx(dense.deviance("REML"), abs=1e-8)
    mean, cov = dense.predict(data.x, dense.latent, dense.latent)
    np.testing.assert_allclose(found.fitted, mean, atol=1e-10)
    np.testing.assert_allclose(found.fitted_variance, np.diag(cov), atol=1e-11)


@pytest.mark.parametrize(
    "spoil, words",
    [
        (lambda d: replace(d, y=np.where(np.arange(len(d.y)) == 3, np.nan, d.y)), "y holds 1 values"),
        (lambda d: replace(d, weights=np.zeros(len(d.y))), "weights must be positive"),
        (lambda d: replace(d, x=np.column_stack((d.x, d.x[:, 0] * 2))), "column 3 of the fixed effects is a combination"),
        (lambda d: replace(d, x=np.column_stack((d.x, d.x[:, 0] * 0))), "column 3 of the fixed effects is all zero"),
        (lambda d: replace(d, offsets=d.offsets[:-1]), "offsets must rise"),
        (lambda d: replace(d, classes=(replace(d.classes[0], size=2),)), "index must have"),
        (lambda d: replace(d, classes=(d.classes[0], d.classes[0])), "carry the same name"),
        (lambda d: replace(d, random="both"), "expected one of"),
        (lambda d: replace(d, g=d.g - 100.0), "clock starts at g = 0"),
        (lambda d: replace(d, g=d.g[::-1].copy()), "in order of g"),
    ],
)
def test_arrays_that_do_not_fit_together_are_refused_with_a_reason(spoil, words):
    data = regional_fleet(30)
    with pytest.raises(FitError, match=words):
        fit(spoil(data), brownian="clock" in words or "order" in words)
