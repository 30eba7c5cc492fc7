"""A correction is learnt where past forecasts were too narrow or too wide, and only there."""

from __future__ import annotations

import numpy as np
import pytest

from sensorhealth.life.calibration import Calibration, learn_factor


@pytest.mark.parametrize("true", [0.6, 1.0, 1.7])
def test_the_factor_of_the_latent_spread_is_found(true: float) -> None:
    rng = np.random.default_rng(1)
    latent, noise = rng.uniform(0.02, 0.06, 2000), np.full(2000, 0.03)
    error = rng.standard_normal(2000) * np.sqrt((true * latent) ** 2 + noise**2)
    factor, std_error = learn_factor(error, latent, noise)
    assert factor == pytest.approx(true, rel=0.08)
    assert abs(np.log(factor / true)) < 3.5 * std_error


def test_little_evidence_changes_little() -> None:
    factor, std_error = learn_factor(np.array([0.2, -0.1]), np.full(2, 0.02), np.full(2, 0.03))
    assert 1.0 < factor < 1.6
    assert std_error > 0.15


def test_a_few_odd_readings_do_not_widen_every_forecast() -> None:
    rng = np.random.default_rng(2)
    latent, noise = np.full(500, 0.03), np.full(500, 0.03)
    error = rng.standard_normal(500) * np.sqrt(latent**2 + noise**2)
    error[:5] = -1.0  # loose caps
    assert learn_factor(error, latent, noise)[0] < 1.25


def test_a_hundred_sensors_on_one_weak_cylinder_are_one_surprise() -> None:
    rng = np.random.default_rng(3)
    gas = np.repeat(np.arange(6), 100)
    latent, noise = np.full(600, 0.03), np.full(600, 0.03)
    error = 0.06 * rng.standard_normal(6)[gas] + rng.standard_normal(600) * np.sqrt(latent**2 + noise**2)
    factor, alone = learn_factor(error, latent, noise)
    assert np.log(factor) > 2.0 * alone  # each taken for itself, the spread seems clearly too narrow
    same, together = learn_factor(error, latent, noise, gas)
    assert same == factor
    assert together > 3.0 * alone
    apart = learn_factor(error, latent, noise, np.arange(600))[1]
    assert alone <= apart < 2.0 * alone


def test_a_stratum_without_its_own_factor_takes_that_of_all() -> None:
    calibration = Calibration(1.4, {"electrochemical CO": 0.9}, 100, "")
    assert calibration.factor("electrochemical CO") == 0.9
    assert calibration.factor("infrared CO2") == 1.4
    assert calibration.corrects
    assert not Calibration().corrects
