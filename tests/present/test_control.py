"""Control charts agree with the NIST/SEMATECH e-Handbook's worked examples."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth.present.charts.control import control_chart, cusum_data, ewma_data


def test_ewma_agrees_with_the_handbook(published: Path) -> None:
    """e-Handbook 6.3.2.4: weight 0.3, target 50, s 2.0539; limits 52.5884 and 47.4115; no signal."""
    table = pd.read_csv(published / "nist_6324_ewma.csv")
    found = ewma_data(table["x"], target=50, sigma=2.0539, weight=0.3, exact=False)
    np.testing.assert_allclose(found["ewma"], table["ewma_published"], atol=0.0051)
    assert found["high"].iloc[-1] == pytest.approx(52.5884, abs=5e-5)
    assert found["low"].iloc[-1] == pytest.approx(47.4115, abs=2e-4)
    assert not found["outside"].any()


def test_ewma_limits_grow_to_those_of_the_long_run() -> None:
    """First limits by hand: 50 + 3 s 0.3, then with the variances 0.3^2 (1 + 0.7^2 + ...)."""
    found = ewma_data([50.0, 50.0, 50.0], target=50, sigma=2.0539, weight=0.3)
    weights = [0.3, 0.3 * np.sqrt(1 + 0.7**2), 0.3 * np.sqrt(1 + 0.7**2 + 0.7**4)]
    np.testing.assert_allclose(found["high"], 50 + 3 * 2.0539 * np.array(weights), rtol=1e-12)


def test_cusum_agrees_with_the_handbook(published: Path) -> None:
    """e-Handbook 6.3.2.3: target 325, k 0.3175, h 4.1959; signals from the 14th mean on."""
    table = pd.read_csv(published / "nist_6323_cusum.csv")
    found = cusum_data(table["xbar"], target=325, slack=0.3175, limit=4.1959)
    np.testing.assert_allclose(found["above"], table["s_hi"], atol=1e-9)
    np.testing.assert_allclose(found["below"], table["s_lo"], atol=1e-9)
    assert found.index[found["outside"]].tolist() == list(range(13, 20))


def test_a_shift_is_marked_outside() -> None:
    values = np.r_[np.zeros(10), np.full(10, 2.0)]
    data = ewma_data(values, target=0, sigma=1)
    assert not data["outside"][:10].any() and data["outside"].iloc[-1]
    title = control_chart(np.arange(20), data, name="C17").get_title(loc="left")
    assert title == "Control chart, C17"
