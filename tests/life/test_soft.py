"""What is ahead comes so much sooner or later: chances moved along the days, whether lives share a law of the factors or not."""

from __future__ import annotations

import numpy as np
import pytest

from sensorhealth.life.soft import scaled, widened_grid

DAYS = np.array([0.0, 7.0, 30.0, 90.0, 365.0, 1000.0])
FACTORS = np.array([0.5, 1.0, 1.7])


@pytest.mark.parametrize("lives", [3, 200])
@pytest.mark.parametrize("laws", [0, 1, 2, 200])
def test_chances_are_read_at_the_scaled_days(lives: int, laws: int) -> None:
    """laws: how many laws of the factors the lives have; 0: one for all, given once."""
    rng = np.random.default_rng(31)
    wide = widened_grid(DAYS, FACTORS)
    cdf = np.sort(rng.random((lives, wide.size)), axis=1)
    each = rng.dirichlet(np.ones(3), max(laws, 1))[np.arange(lives) % max(laws, 1)]
    found = scaled(cdf, wide, DAYS, FACTORS, each[0] if laws == 0 else each)
    for row, own, got in zip(cdf, each, found):
        wanted = sum(weight * np.interp(factor * DAYS, wide, row) for factor, weight in zip(FACTORS, own))
        np.testing.assert_allclose(got, wanted, rtol=1e-12)
