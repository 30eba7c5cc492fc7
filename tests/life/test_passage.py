"""First passage against closed forms of other libraries, published values, finer quadrature and simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from sensorhealth.life.passage import Path, above_at_both_ends, first_passage

STILL = np.zeros((2, 2))


def random_sensors(n: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    level, slope = rng.uniform(-0.1, 1.0, n), rng.normal(-0.1, 0.08, n)
    sd_level, sd_slope, r = rng.uniform(0.004, 0.1, n), rng.uniform(0.003, 0.1, n), rng.uniform(-0.95, 0.95, n)
    covariance = np.empty((n, 2, 2))
    covariance[:, 0, 0], covariance[:, 1, 1] = sd_level**2, sd_slope**2
    covariance[:, 0, 1] = covariance[:, 1, 0] = r * sd_level * sd_slope
    return level, slope, covariance, rng.choice([0.02, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0], n)


def test_without_wander_it_is_a_bivariate_normal_orthant() -> None:
    level, slope, covariance, elapsed = random_sensors(200, 1)
    ended = first_passage(level, slope, covariance, elapsed)
    for i in range(level.size):
        ahead = np.array([[1.0, 0.0], [1.0, elapsed[i]]])
        law = stats.multivariate_normal(ahead @ [level[i], slope[i]], ahead @ covariance[i] @ ahead.T)
        # scipy.stats.multivariate_normal.cdf; both being above is the cdf of the mirrored law at 0
        mirrored = stats.multivariate_normal.cdf([0.0, 0.0], -law.mean, law.cov, abseps=1e-14, releps=1e-14)
        assert ended[i] == pytest.approx(1.0 - mirrored, abs=1e-13)


@pytest.mark.parametrize("wander", [0.01, 0.04, 0.25])
def test_known_level_and_slope_give_the_inverse_gaussian(wander: float) -> None:
    level, loss = 1.0, 0.3
    elapsed = np.linspace(0.2, 12.0, 60)
    expected = stats.invgauss.cdf(elapsed, mu=(level / loss) / (level**2 / wander), scale=level**2 / wander)
    assert first_passage(level, -loss, STILL, elapsed, wander) == pytest.approx(expected, abs=2e-8)


def test_gaas_lasers_first_passage_of_ten_per_cent() -> None:
    # Meeker and Escobar (1998) table C.17; Wiener and random-drift Wiener fits computed from it by another program.
    assert first_passage(10.0, -2.0379067, STILL, [4.0, 5.0], 0.4003340**2) == pytest.approx([0.0117074, 0.6011030], abs=1e-6)
    drift = np.array([[0.0, 0.0], [0.0, 0.4177424**2]])
    expected = [0.0026235, 0.1560282, 0.5391636, 0.8040387, 0.9660132]
    ended = first_passage(10.0, -2.0379067, drift, [3.0, 4.0, 5.0, 6.0, 8.0], 0.3415262**2)
    assert ended == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("wander_sd", [0.3, 0.1, 0.03, 0.01, 0.005, 0.002])
def test_the_quadrature_is_as_exact_as_it_says(wander_sd: float) -> None:
    level, slope, covariance, elapsed = random_sensors(2000, 2)
    fine = first_passage(level, slope, covariance, elapsed, wander_sd**2, nodes=400)
    for nodes, error in ((24, 3e-6), (20, 4e-5), (16, 7e-4)):
        coarse = first_passage(level, slope, covariance, elapsed, wander_sd**2, nodes=nodes)
        assert np.abs(coarse - fine).max() < error


def test_simulated_paths_end_as_often_as_the_formula_says() -> None:
    rng = np.random.default_rng(3)
    level, slope, elapsed, wander = 0.25, -0.09, 2.5, 0.05**2
    covariance = np.array([[0.05**2, -0.6 * 0.05 * 0.04], [-0.6 * 0.05 * 0.04, 0.04**2]])
    n, steps = 100_000, 50
    start = rng.multivariate_normal([level, slope], covariance, n)
    now, alive, step = start[:, 0], np.log(np.maximum((start[:, 0] > 0).astype(float), 1e-300)), elapsed / steps
    for _ in range(steps):
        later = now + start[:, 1] * step + np.sqrt(wander * step) * rng.standard_normal(n)
        touch = np.exp(-2.0 * np.maximum(now, 0) * np.maximum(later, 0) / (wander * step))
        alive += np.log1p(-np.minimum(touch, 1.0 - 1e-16))
        now = later
    simulated = 1.0 - np.exp(alive)
    expected = first_passage(level, slope, covariance, elapsed, wander)
    assert 0.2 < expected < 0.8
    assert abs(simulated.mean() - expected) < 4.0 * simulated.std() / np.sqrt(n)


def test_given_alive_now_is_the_share_of_those_alive() -> None:
    level, slope, covariance, elapsed = random_sensors(500, 4)
    for wander in (0.0, 0.02**2):
        plain = first_passage(level, slope, covariance, elapsed, wander)
        now = first_passage(level, slope, covariance, 0.0, wander)
        given_alive = first_passage(level, slope, covariance, elapsed, wander, alive_now=True)
        clear = now < 0.999
        assert given_alive[clear] == pytest.approx((plain - now)[clear] / (1 - now[clear]), abs=1e-10)


def test_at_once_only_those_already_below_have_ended() -> None:
    level, slope, covariance, _ = random_sensors(300, 5)
    expected = stats.norm.cdf(-level / np.sqrt(covariance[:, 0, 0]))
    assert first_passage(level, slope, covariance, 0.0, 0.01) == pytest.approx(expected, abs=1e-14)


@settings(deadline=None, max_examples=60)
@given(
    level=st.floats(-2, 5), slope=st.floats(-3, 3), sd_level=st.floats(0, 2), sd_slope=st.floats(0, 2),
    r=st.floats(-1, 1), wander=st.floats(0, 1),
)  # fmt: skip
def test_the_chance_of_having_ended_never_falls(
    level: float, slope: float, sd_level: float, sd_slope: float, r: float, wander: float
) -> None:
    shared = r * sd_level * sd_slope
    covariance = [[sd_level**2, shared], [shared, sd_slope**2]]
    ended = first_passage(level, slope, covariance, np.linspace(0.0, 20.0, 60), wander)
    assert np.isfinite(ended).all()
    assert ((ended >= 0) & (ended <= 1)).all()
    assert np.diff(ended).min() > -1e-3  # twice the quadrature's own error, in regimes far from those of sensors


@settings(deadline=None, max_examples=60)
@given(log_level=st.floats(-12, 1), slope=st.floats(-3, 3), log_wander=st.floats(-5, 0), sd_slope=st.floats(0, 1))
def test_a_level_known_exactly_ends_by_the_known_law(log_level: float, slope: float, log_wander: float, sd_slope: float) -> None:
    """Inverse Gaussian given the slope (scipy's, or for a slope that rises the chance of ever ending on top), averaged."""
    level, wander = 10.0**log_level, 10.0**log_wander
    elapsed = np.array([0.1, 1.0, 10.0])
    found = first_passage(level, slope, [[0.0, 0.0], [0.0, sd_slope**2]], elapsed, wander)
    z = np.linspace(-9.0, 9.0, 20_001)
    weight = stats.norm.pdf(z) * (z[1] - z[0])
    drift = np.where(np.abs(slope + sd_slope * z) < 1e-9, 1e-9, slope + sd_slope * z)
    mean, shape = level / np.abs(drift), level**2 / wander
    ever = np.exp(-2.0 * level * np.maximum(drift, 0.0) / wander)
    expected = [weight @ (ever * stats.invgauss.cdf(time, mean / shape, scale=shape)) for time in elapsed]
    assert found == pytest.approx(np.array(expected), abs=1e-6)


def test_a_dip_between_two_sound_ends_is_seen() -> None:
    # a Brownian path with drift away from the threshold ever meets it with probability exp(-2 level drift / wander)
    assert first_passage(1.0, 2.0, STILL, 1000.0, 1.0) == pytest.approx(np.exp(-4.0), abs=1e-7)
    assert first_passage(0.5, 1.0, STILL, [20.0, 60.0], 0.7) == pytest.approx(np.full(2, np.exp(-1.0 / 0.7)), abs=1e-6)


def test_shapes_broadcast_over_sensors_and_times() -> None:
    level, slope, covariance, _ = random_sensors(7, 6)
    ended = first_passage(level[:, None], slope[:, None], covariance[:, None], np.array([0.1, 1.0, 3.0]), 1e-4)
    assert ended.shape == (7, 3)
    one = first_passage(level[4], slope[4], covariance[4], 1.0, 1e-4)
    assert ended[4, 1] == pytest.approx(float(one), abs=1e-15)


def test_both_above_by_owen_agrees_with_independence() -> None:
    elapsed = np.array([2.0])
    # zero slope variance of the shared part: choose covariance so that X and Y are independent (cov = -var/elapsed)
    path = Path(*(np.array([value]) for value in (0.3, -0.1, 0.04, -0.02, 0.05, 0.0)), elapsed)
    later = 0.04 + 2 * 2.0 * -0.02 + 4.0 * 0.05
    expected = stats.norm.cdf(0.3 / 0.2) * stats.norm.cdf(0.1 / np.sqrt(later))
    assert above_at_both_ends(path) == pytest.approx([expected], abs=1e-14)
