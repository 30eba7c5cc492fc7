"""Sums of columns that meet through noise that wanders, and through one reading, are those of dense matrices."""

from __future__ import annotations

import numpy as np
import pytest
from dense_crossed_model import random_problem, some_parameters

from sensorhealth.degradation import reml, reml_layout
from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination_sums import reduce_readings, reduce_wander, wander_slopes
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_layout import Layout


def noise_covariance(layout: Layout, tau: float) -> FloatArray:
    """R = diag(1 / w) + tau min(g_j, g_k) within a sensor."""
    g, sensor = layout.data.g, layout.sensor
    return np.diag(1.0 / layout.weights) + tau * np.where(sensor[:, None] == sensor, np.minimum(g[:, None], g), 0.0)


def crossing(layout: Layout, inverse: FloatArray) -> FloatArray:
    """T' inverse T, (C, C)."""
    table = layout.crossed.toarray()
    found: FloatArray = table.T @ inverse @ table
    return found


def over_all_columns(layout: Layout, tt: list[FloatArray]) -> FloatArray:
    """The blocks' matrices added up on all columns (C, C)."""
    found = np.zeros((layout.columns, layout.columns))
    for block, own in zip(layout.blocks, tt):
        found[np.ix_(block.columns, block.columns)] += np.diag(own) if own.ndim == 1 else own
    return found


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("tau", [0.0, 0.02, 3.0])
def test_columns_that_meet_through_a_wander_have_the_dense_sums(
    monkeypatch: pytest.MonkeyPatch, seed: int, tau: float, kept: bool
) -> None:
    if not kept:
        monkeypatch.setattr(reml_layout, "KEPT_ENTRIES", 0)
    layout = reml.lay_out(random_problem(seed, sensors=9, longest=11, duplicates=seed == 0), brownian=True)
    assert layout.clock is not None and layout.few is kept
    noise = ClockNoise(layout.clock, layout.weights, tau)
    inverse = np.linalg.inv(noise_covariance(layout, tau))
    wanders = noise_covariance(layout, 1.0) - noise_covariance(layout, 0.0)
    for sums, dense in ((reduce_wander, inverse), (wander_slopes, -inverse @ wanders @ inverse)):
        found, expected = over_all_columns(layout, sums(layout, noise).tt), crossing(layout, dense)
        np.testing.assert_allclose(found, expected, rtol=1e-9, atol=1e-10 * np.abs(expected).max())


@pytest.mark.parametrize("weights", [True, False])
@pytest.mark.parametrize("at_once", [True, False])
def test_columns_that_meet_in_one_reading_have_the_dense_sums(
    monkeypatch: pytest.MonkeyPatch, weights: bool, at_once: bool
) -> None:
    if not at_once:
        monkeypatch.setattr(reml_layout, "KEPT_CELLS", 0)
    layout = reml.lay_out(random_problem(5, sensors=9, longest=11, weights=weights))
    assert (layout.whole is not None) is at_once
    expected = crossing(layout, np.diag(layout.weights))
    np.testing.assert_allclose(over_all_columns(layout, reduce_readings(layout).tt), expected, rtol=1e-12, atol=1e-14)


def test_sensors_side_by_side_are_solved_as_one_after_the_other() -> None:
    layout = reml.lay_out(random_problem(7, sensors=12, longest=15), brownian=True)
    assert layout.clock is not None
    noise, rng = ClockNoise(layout.clock, layout.weights, 0.4), np.random.default_rng(8)
    columns = rng.standard_normal((len(layout.data.y), 3))
    asked = np.array([3, 8, 1])
    count = np.diff(layout.data.offsets)[asked]
    place = np.arange(count.max())[:, None]
    readings = np.where(place < count, layout.data.offsets[asked] + place, -1)
    real = readings >= 0
    differences = noise.differences(columns)
    abreast = noise.half_way_abreast(np.where(real[:, :, None], differences[readings], 0.0), readings)
    np.testing.assert_allclose(abreast[real], noise.half_way(differences)[readings[real]], rtol=1e-10, atol=1e-12)
    assert (abreast[~real] == 0.0).all()


@pytest.mark.parametrize("brownian", [False, True])
def test_a_search_that_begins_where_a_solution_stands_saves_its_evaluation(
    monkeypatch: pytest.MonkeyPatch, brownian: bool
) -> None:
    data = random_problem(11, sensors=30, longest=9)
    layout, start = reml.lay_out(data, brownian=brownian), some_parameters(data, 0.05 if brownian else 0.0)
    solved = reml.solve(layout, start)
    made: list[bool] = []
    plain = reml_layout.Layout.by_sensor

    def counted(self: Layout, values: FloatArray) -> FloatArray:
        made.append(True)
        return plain(self, values)

    monkeypatch.setattr(reml_layout.Layout, "by_sensor", counted)
    anew = reml.fit(layout, start=start, brownian=brownian)
    first = len(made)
    again = reml.fit(layout, start=start, brownian=brownian, known=solved)
    assert len(made) - first < first  # sums of the first point are not made again
    assert again.evaluations == anew.evaluations
    assert again.deviance == anew.deviance
    np.testing.assert_array_equal(again.phi, anew.phi)


def test_a_solution_of_other_readings_is_not_taken_for_these() -> None:
    data = random_problem(12, sensors=30, longest=9)
    layout, start = reml.lay_out(data), some_parameters(data, 0.0)
    other = reml.solve(layout.with_readings(data.y + np.sin(data.g), layout.weights), start)
    found, plain = reml.fit(layout, start=start, known=other), reml.fit(layout, start=start)
    assert found.deviance == plain.deviance
