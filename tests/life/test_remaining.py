"""Remaining life as competing risks: the two ends add up, quantiles and probabilities agree, no sensor is lost."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sensorhealth.degradation.curves.linear import Linear
from sensorhealth.degradation.curves.square_root import SquareRoot
from sensorhealth.life import Calibration, next_calibration_fails, remaining_life

SURE = [[1e-12, 0.0], [0.0, 1e-12]]
SPREAD = [[0.0004, 0.0], [0.0, 0.0009]]


def test_a_sure_line_ends_where_it_crosses(lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any) -> None:
    lives = lives_of([200.0, 700.0])
    path = path_of(lives, [0.3, 0.1], [-0.2, -0.2], SURE)
    life = remaining_life([path], never_sudden, lives, as_of)
    days, capped = life.quantile(0.5)
    assert days == pytest.approx([1.5 * 365.25, 0.5 * 365.25], abs=30.0)
    assert not capped.any()
    assert life.mode().tolist() == ["soft", "soft"]


def test_the_clock_of_the_curve_moves_the_end(lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any) -> None:
    lives = lives_of([365.25])
    path = path_of(lives, [0.2], [-0.2], SURE, curves=(SquareRoot(reference=1.0),))
    days, _ = remaining_life([path], never_sudden, lives, as_of).quantile(0.5)
    assert days == pytest.approx([3.0 * 365.25], abs=35.0)  # sqrt(age) runs from 1 to 2 between one and four years


def test_components_are_mixed_by_their_weight(lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any) -> None:
    lives = lives_of([365.25])
    both = path_of(lives, [0.2], [-0.2], SURE, curves=(Linear(1.0), SquareRoot(1.0)), weight=(0.3, 0.7))
    life = remaining_life([both], never_sudden, lives, as_of)
    assert life.p_end(2.0 * 365.25) == pytest.approx([0.3], abs=1e-6)
    assert life.p_end(3650.0) == pytest.approx([1.0], abs=1e-6)


def test_the_two_ends_compete(lives_of: Any, path_of: Any, as_of: pd.Timestamp, constant_hazard: Any) -> None:
    lives = lives_of([100.0, 400.0])
    path = path_of(lives, [0.3, 0.2], [-0.1, -0.2], SPREAD, brownian=0.0004)
    hazard = constant_hazard(0.2)
    life = remaining_life([path], hazard, lives, as_of)
    alone = remaining_life([path], constant_hazard(0.0), lives, as_of).soft
    dead = hazard.conditional_cdf(lives, as_of, life.grid_days)
    assert life.total == pytest.approx(1.0 - (1.0 - alone) * (1.0 - dead), abs=1e-12)
    assert (np.diff(life.soft) >= 0).all() and (np.diff(life.sudden) >= 0).all()
    rng = np.random.default_rng(1)
    # simulate both ends of the first sensor and count which comes first
    n = 200_000
    soft_at = np.interp(rng.random(n), alone[0], life.grid_days, right=np.inf)
    sudden_at = rng.exponential(365.25 / 0.2, n)
    first_soft = np.mean((soft_at <= sudden_at) & (soft_at <= 3650.0))
    assert life.soft[0, -1] == pytest.approx(first_soft, abs=4 * 0.5 / np.sqrt(n))


def test_quantiles_and_probabilities_are_one_distribution(
    lives_of: Any, path_of: Any, as_of: pd.Timestamp, constant_hazard: Any
) -> None:
    lives = lives_of([100.0, 400.0, 900.0])
    path = path_of(lives, [0.5, 0.2, 0.02], [-0.15, -0.2, -0.3], SPREAD)
    life = remaining_life([path], constant_hazard(0.05), lives, as_of)
    for q in (0.05, 0.5, 0.95):
        days, capped = life.quantile(q)
        inside = ~capped & (days > 0)
        assert life.p_end(days)[inside] == pytest.approx(np.full(inside.sum(), q), abs=1e-9)


def test_a_sensor_at_its_limit_has_no_life_left(lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any) -> None:
    lives = lives_of([900.0])
    life = remaining_life([path_of(lives, [-0.05], [-0.1], SPREAD)], never_sudden, lives, as_of)
    assert life.soft[0, 0] == pytest.approx(stats.norm.cdf(0.05 / 0.02))
    assert life.quantile(0.5)[0].tolist() == [0.0]


def test_a_margin_brings_the_end_forward(lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any) -> None:
    lives = lives_of([200.0])
    path = path_of(lives, [0.3], [-0.2], SURE)
    days, _ = remaining_life([path], never_sudden, lives, as_of, margin=0.1).quantile(0.5)
    assert days == pytest.approx([(0.3 - np.log(1.1)) / 0.2 * 365.25], abs=30.0)


def test_a_flat_sensor_is_not_forecast_to_die(lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any) -> None:
    lives = lives_of([1000.0])
    path = path_of(lives, [0.6], [0.0], [[1e-4, 0.0], [0.0, 1e-5]])
    life = remaining_life([path], never_sudden, lives, as_of)
    days, capped = life.quantile(0.05)
    assert capped.all() and days.tolist() == [3650.0]
    assert life.mode().tolist() == [""]


def test_galvanic_oxygen_ends_by_age_not_by_slope(lives_of: Any, path_of: Any, as_of: pd.Timestamp, constant_hazard: Any) -> None:
    lives = lives_of([500.0], technology="galvanic oxygen", gas="O2")
    path = path_of(lives, [0.3], [-0.5], SURE)
    life = remaining_life([path], constant_hazard(0.3), lives, as_of)
    assert life.soft.max() < 1e-9
    assert life.p_end(365.25) == pytest.approx([-np.expm1(-0.3)], abs=1e-4)
    assert life.mode().tolist() == ["sudden"]


def test_every_life_has_a_row_even_without_a_path(lives_of: Any, path_of: Any, as_of: pd.Timestamp, constant_hazard: Any) -> None:
    lives = lives_of([10.0, 20.0, 30.0])
    path = path_of(lives.iloc[[2, 0]], [0.3, 0.1], [-0.1, -0.1], SPREAD)
    life = remaining_life([path], constant_hazard(0.1), lives, as_of)
    assert life.life_id.tolist() == ["s1", "s2", "s3"]
    assert life.soft[1].max() == 0.0
    assert life.p_end(900.0)[0] > life.p_end(900.0)[2]  # the posterior's order is not the table's
    assert life.take([2]).life_id.tolist() == ["s3"]


def test_a_correction_widens_the_forecast(lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any) -> None:
    lives = lives_of([300.0])
    path = path_of(lives, [0.5], [-0.2], SPREAD)

    def width(calibration: Calibration | None) -> float:
        life = remaining_life([path], never_sudden, lives, as_of, calibration=calibration)
        return float(life.quantile(0.9)[0][0] - life.quantile(0.1)[0][0])

    assert width(Calibration(overall=2.0)) > 1.5 * width(None)
    assert width(Calibration(by_stratum={"electrochemical CO": 0.5})) < 0.7 * width(None)


def test_the_next_calibration_also_has_gas_and_noise(
    lives_of: Any, path_of: Any, as_of: pd.Timestamp, constant_hazard: Any
) -> None:
    lives = lives_of([300.0, 300.0])
    path = path_of(lives, [0.1, 0.4], [-0.1, -0.1], SPREAD, brownian=0.001, residual=0.0016, gas=0.0025)
    chance = next_calibration_fails([path], lives, as_of, [365.25, 0.0])
    sd = np.sqrt([0.0004 + 0.0009 + 0.001 + 0.0041, 0.0004 + 0.0041])
    assert chance == pytest.approx(stats.norm.cdf(-np.array([0.0, 0.4]) / sd), abs=1e-9)
    with_death = next_calibration_fails([path], lives, as_of, [365.25, 0.0], sudden=constant_hazard(0.1))
    assert with_death[0] == pytest.approx(1.0 - (1.0 - chance[0]) * np.exp(-0.1), abs=1e-4)
    assert with_death[1] == pytest.approx(chance[1])


@pytest.mark.parametrize("grid", [[1.0, 2.0], [0.0], [0.0, 5.0, 5.0]])
def test_a_grid_that_is_no_grid_is_refused(
    grid: list[float], lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any
) -> None:
    lives = lives_of([300.0])
    with pytest.raises(ValueError, match="grid"):
        remaining_life([path_of(lives, [0.1], [-0.1], SPREAD)], never_sudden, lives, as_of, grid=grid)


def test_probabilities_outside_the_horizon(lives_of: Any, path_of: Any, as_of: pd.Timestamp, never_sudden: Any) -> None:
    lives = lives_of([300.0])
    life = remaining_life([path_of(lives, [0.1], [-0.1], SPREAD)], never_sudden, lives, as_of, horizon_days=500.0)
    assert life.horizon_days == 500.0
    assert life.p_end(5000.0) == pytest.approx(life.total[:, -1])
    assert life.p_end(-1.0).tolist() == [0.0]
    assert np.isnan(life.p_end(np.nan)).all()
    with pytest.raises(ValueError, match="between 0 and 1"):
        life.quantile(1.0)
