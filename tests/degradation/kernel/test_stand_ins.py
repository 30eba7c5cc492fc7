"""A reading's stand-in gives the posterior that its heavy-tailed noise gives, by numerical integration."""

from __future__ import annotations

import numpy as np
import pytest

from sensorhealth.degradation.mixture import grains
from sensorhealth.degradation.robust import Sites, revise

NOISE = 0.01


@pytest.mark.parametrize("degrees", [3.0, 8.0, np.inf])
@pytest.mark.parametrize("off", [0.0, 0.15, 0.6, 4.0])
def test_mean_variance_and_likelihood_are_those_of_the_integral(degrees: float, off: float) -> None:
    mean, variance = np.array([0.02]), np.array([0.003])
    y = mean + off
    nothing = Sites(y, np.array([1e-12]), 0.0, 0.0)
    told = revise(nothing, y, np.zeros(1, dtype=np.int8), mean, variance, NOISE, degrees, kept=0.0)
    eta = np.linspace(mean[0] - 1.0, y[0] + 1.0, 20_001)
    chance, factor = grains(degrees)
    spread = NOISE * factor
    likelihood = (chance * np.exp(-0.5 * (y - eta[:, None]) ** 2 / spread) / np.sqrt(2.0 * np.pi * spread)).sum(axis=1)
    weight = likelihood * np.exp(-0.5 * (eta - mean) ** 2 / variance) / np.sqrt(2.0 * np.pi * variance)
    total = np.trapezoid(weight, eta)
    wanted_mean = np.trapezoid(weight * eta, eta) / total
    wanted_variance = np.trapezoid(weight * (eta - wanted_mean) ** 2, eta) / total
    precision = 1.0 / variance + told.weight / NOISE
    found_mean = (mean / variance + told.weight / NOISE * told.response) / precision
    assert found_mean[0] == pytest.approx(wanted_mean, rel=1e-6)
    if wanted_variance <= variance[0]:  # else it is less certain than before, which no Gaussian can say
        assert 1.0 / precision[0] == pytest.approx(wanted_variance, rel=1e-5)
    alone = variance[0] + NOISE / 1e-12  # of the stand-in that said nothing
    before = -0.5 * np.log(2.0 * np.pi * alone) - 0.5 * off**2 / alone
    assert told.gain + before == pytest.approx(np.log(total), abs=1e-6)
