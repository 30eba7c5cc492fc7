"""Ordinary ones and odd ones."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from sensorhealth.health.two_groups import CENTRE_SD, Places, TwoGroups, two_groups


def test_mixture_quantiles_and_probabilities_agree_with_the_normal() -> None:
    one = TwoGroups(np.array([[1.0, 0.0]]), np.array([[0.1, 0.0]]), np.array([[0.02, 1.0]]), 0.5, 0.05, 0.0, np.zeros(1))
    assert one.quantile(0.95)[0] == pytest.approx(norm.ppf(0.95, 0.1, 0.02), abs=1e-9)
    assert one.below(np.array([0.07]))[0] == pytest.approx(norm.cdf(-1.5), rel=1e-12)
    assert one.average()[0] == pytest.approx(0.1)


def test_intervals_cover_what_they_say_and_wrong_ones_do_not() -> None:
    rng = np.random.default_rng(3)
    scale = np.full(400, 0.05)
    bias = np.where(rng.random(400) < 0.08, -rng.uniform(0.05, 0.25, 400), 0.02 * rng.standard_normal(400))
    variance = rng.uniform(0.005, 0.02, 400) ** 2
    estimate = bias + 0.01 + np.sqrt(variance) * rng.standard_normal(400)
    found = two_groups(estimate, variance, scale)
    low, high = found.quantile(0.05), found.quantile(0.95)
    assert 0.86 <= ((low <= bias) & (bias <= high)).mean() <= 0.94
    middle = (low + high) / 2
    narrow = (np.abs(bias - middle) <= (high - low) / 4).mean()
    assert narrow < 0.8
    assert found.centre == pytest.approx(0.01, abs=0.004)
    assert found.ordinary == pytest.approx(0.4, abs=0.08)
    assert found.share == pytest.approx(0.08, abs=0.04)


def test_no_information_leaves_the_prior() -> None:
    found = two_groups(np.array([0.3, 0.0]), np.array([np.inf, 1e-4]), np.array([0.05, 0.05]))
    assert found.average()[0] == 0.0
    assert found.weight[0, 1] == pytest.approx(found.share)


def test_one_far_off_does_not_move_the_centre() -> None:
    estimate = np.r_[np.zeros(9), -0.2]
    found = two_groups(estimate, np.full(10, 1e-4), np.full(10, 0.05))
    assert abs(found.centre) < 0.002 < CENTRE_SD
    assert found.below(np.full(10, -0.1))[9] > 0.99


def test_a_slow_drift_of_a_site_is_taken_off_and_makes_the_intervals_wider() -> None:
    """Sites whose sensors drift in common: bias is found around the drift, and without it the intervals are wrong."""
    rng = np.random.default_rng(7)
    site, years = np.repeat(np.arange(10), 20), np.tile(np.linspace(0.0, 4.0, 20), 10)
    bias = np.where(rng.random(200) < 0.05, -0.15, 0.02 * rng.standard_normal(200))
    drift = 0.03 * np.cos(years + site)
    estimate = bias + drift + 0.005 * rng.standard_normal(200)
    known, scale = np.full(200, 0.005**2), np.full(200, 0.05)
    found, blind = two_groups(estimate, known, scale, Places.at(site, years)), two_groups(estimate, known, scale)

    def covered(groups: TwoGroups) -> float:
        return float(((groups.quantile(0.05) <= bias) & (bias <= groups.quantile(0.95))).mean())

    assert np.corrcoef(found.drift, drift)[0, 1] > 0.8
    assert covered(found) >= 0.8 > 0.5 > covered(blind)
    odd = bias < -0.1
    assert (found.average()[odd] < -0.08).all()
