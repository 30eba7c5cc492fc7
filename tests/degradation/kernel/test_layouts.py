"""A layout taken over to other times, coefficients and scales is the layout that the new arrays have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_fleets import fleet_with_lots

from sensorhealth.degradation import reml


@pytest.mark.parametrize("brownian", [0.0, 1e-3])
def test_other_times_and_scales_give_what_arrays_laid_out_anew_give(brownian: float) -> None:
    data = fleet_with_lots(60, seed=5)
    rng = np.random.default_rng(6)
    g = np.sqrt(data.g)
    classes = tuple(
        replace(
            c, value=g if c.name == "lot slope" else c.value, scale=rng.uniform(0.5, 2.0, c.size) if c.name == "gas" else c.scale
        )
        for c in data.classes
    )
    x = data.x.copy()
    x[:, 1] = g
    other = replace(data, g=g, x=x, classes=classes)
    variances = reml.VarianceParameters(1e-3, np.array([[0.01, 1e-4], [1e-4, 4e-4]]), {c.name: 2e-4 for c in classes}, brownian)
    before = reml.lay_out(data, brownian=brownian > 0.0)
    reml.solve(before, variances)  # what it keeps must not be taken over where it no longer holds
    moved, anew = reml.solve(before.with_times(other), variances), reml.solve(other, variances)
    assert moved.deviance == pytest.approx(anew.deviance, rel=1e-12)
    np.testing.assert_allclose(moved.fitted, anew.fitted, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(moved.fitted_variance, anew.fitted_variance, rtol=1e-9)
    for name in variances.crossed:
        np.testing.assert_allclose(moved.crossed[name], anew.crossed[name], rtol=1e-8, atol=1e-12)
