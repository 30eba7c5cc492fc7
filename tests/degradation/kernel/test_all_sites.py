"""Stand-ins of very many records are those that any fit gives them."""

from __future__ import annotations

import numpy as np
import pytest

from sensorhealth.degradation import all_sites
from sensorhealth.degradation.robust import EXACT, face_value, revise


@pytest.mark.parametrize("degrees", [3.0, 15.0, np.inf])
@pytest.mark.parametrize("step", [1.0, 0.7])
def test_readings_limits_and_doubts_have_the_stand_ins_of_a_fit(
    degrees: float, step: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(all_sites, "BLOCK", 7)
    rng = np.random.default_rng(3)
    y, mean, variance = rng.standard_t(3, 60) * 0.1, rng.normal(0.0, 0.02, 60), rng.uniform(1e-4, 1e-2, 60)
    y[0], y[1] = 5.0, -3.0  # dozens of scales away
    censoring = np.zeros(60, dtype=np.int8)
    censoring[5:12], censoring[20:23] = -1, 1
    doubt = np.full(60, np.nan)
    doubt[[30, 31]] = 0.25
    sites = face_value(y, censoring)
    for _ in range(3):
        given = (sites, y, censoring, mean, variance, 0.01, degrees, step)
        wanted = revise(*given, EXACT, doubt)
        sites = all_sites.revised(*given, doubt)
        np.testing.assert_allclose(sites.weight, wanted.weight, rtol=1e-9)
        np.testing.assert_allclose(sites.response, wanted.response, rtol=1e-9, atol=1e-12)
