"""One battery of laws for every ageing curve, whatever its family."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from sensorhealth.degradation.curves import FAMILIES, Curve, LinearLoss, PlateauKnee, candidates

EVERY = [curve for curve, _ in candidates(4.0)]
AGES = np.concatenate([[0.0], np.geomspace(1e-3, 30.0, 200)])


@pytest.fixture(params=EVERY, ids=lambda curve: curve.label)
def curve(request: pytest.FixtureRequest) -> Curve:
    return request.param


def test_clock_starts_at_zero_and_never_runs_back(curve: Curve) -> None:
    phi = curve.value(AGES)
    assert phi[0] == pytest.approx(0.0, abs=1e-14)
    assert np.all(np.isfinite(phi))
    assert np.all(np.diff(phi) > 0)


def test_inverse_gives_back_the_age(curve: Curve) -> None:
    np.testing.assert_allclose(curve.inverse(curve.value(AGES)), AGES, rtol=1e-8, atol=1e-9)


def test_derivative_adds_up_to_the_value(curve: Curve) -> None:
    for low, high in ((0.1, 1.1), (1.3, 3.7), (3.9, 9.0)):
        knee = [curve.knee] if hasattr(curve, "knee") else None
        area, _ = quad(lambda age: float(curve.derivative(age)), low, high, points=knee, limit=200)
        assert area == pytest.approx(float(curve.value(high) - curve.value(low)), rel=1e-6)


def test_reference_age_fixes_the_scale(curve: Curve) -> None:
    assert float(curve.value(curve.reference)) == pytest.approx(curve.reference)


def test_negative_age_counts_as_new(curve: Curve) -> None:
    assert float(curve.value(-1.0)) == pytest.approx(0.0, abs=1e-14)


def test_prior_weights_add_up_to_one_and_every_family_is_tried() -> None:
    weights = [weight for _, weight in candidates(2.0)]
    assert sum(weights) == pytest.approx(1.0)
    assert {curve.family for curve, _ in candidates(2.0)} == {family.family for family in FAMILIES}


def test_linear_loss_is_a_straight_line_of_sensitivity() -> None:
    curve = LinearLoss(4.0, 0.2)
    slope = -0.2 * curve.rate / 0.2 / (float(curve.value(1e-9)) / 1e-9)
    age = np.linspace(0.0, 4.0, 9)
    np.testing.assert_allclose(np.exp(slope * curve.value(age)), 1.0 - 0.2 * age, rtol=1e-6)


@pytest.mark.parametrize(
    ("reserve", "sensitivity"),
    [(3.0, (0.80, 0.50, 0.31, 0.17)), (10.0, (0.92, 0.73, 0.55, 0.37)), (30.0, (0.97, 0.89, 0.78, 0.62))],
)
def test_plateau_and_knee_put_barrier_and_catalyst_in_series(reserve: float, sensitivity: tuple[float, ...]) -> None:
    """1/i = 1/i_diffusion + 1/i_kinetic: worked table of sensitivity at activity .5, .2, .1, .05, to two digits."""
    curve = PlateauKnee(3.0, reserve, 2.0)
    k = np.log(reserve) / 2.0
    ages = -np.log([0.5, 0.2, 0.1, 0.05]) / k
    far = 400.0  # there the clock runs at k per year, which gives the scale
    scale = float(curve.value(far + 1.0) - curve.value(far)) / k
    np.testing.assert_allclose(np.exp(-curve.value(ages) / scale), sensitivity, atol=0.0051)
