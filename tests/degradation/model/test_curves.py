"""One battery of laws for every ageing curve, whatever its family."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fleets import Fleet, Truth, simulate
from scipy.integrate import quad

from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.curves import FAMILIES, Curve, Linear, LinearLoss, PlateauKnee, Runaway, SteadyKnee, candidates
from sensorhealth.life.passage import first_passage

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


def test_path_of_a_typical_sensor_runs_on_the_clock(curve: Curve) -> None:
    slope = float(curve.slope_of(-0.4, curve.reference))
    np.testing.assert_allclose(curve.path(slope, AGES), slope * curve.value(AGES), rtol=1e-9, atol=1e-12)


def test_slope_of_gives_back_the_slope(curve: Curve) -> None:
    for slope in (-0.2, -0.03, 0.05):
        assert float(curve.slope_of(curve.path(slope, 2.5), 2.5)) == pytest.approx(slope, rel=1e-9)


def test_derivatives_of_the_path_are_its_derivatives(curve: Curve) -> None:
    age, step = np.array([0.4, 1.7, 3.3]), 1e-6
    for slope in (-0.15, -0.02, 0.04):
        by_slope = (curve.path(slope + step, age) - curve.path(slope - step, age)) / (2 * step)
        by_age = (curve.path(slope, age + step) - curve.path(slope, age - step)) / (2 * step)
        np.testing.assert_allclose(curve.path_by_slope(slope, age), by_slope, rtol=1e-5)
        np.testing.assert_allclose(curve.path_by_age(slope, age), by_age, rtol=1e-5, atol=1e-9)


def test_straightened_path_ends_when_the_curved_one_does(curve: Curve) -> None:
    """Against the curved path itself, drawn 200 000 times: no outside source says what a first passage on it is."""
    level, slope, now = np.array([0.35]), np.array([-0.11]), 2.0
    spread = np.array([[[0.02**2, -0.3 * 0.02 * 0.012], [-0.3 * 0.02 * 0.012, 0.012**2]]])
    later = np.array([[2.5, 3.0, 4.0, 5.0, 7.0]])
    clock = curve.clock(np.array([now]))
    path = curve.straightened(level, slope, spread, np.zeros(1), clock, later)
    ended = first_passage(path.level, path.slope, path.covariance, path.elapsed, path.wander)[0]
    drawn = np.random.default_rng(5).multivariate_normal([level[0], slope[0]], spread[0], 200_000)
    change = np.stack([curve.ahead(drawn[:, 1], clock[0], age)[0] for age in later[0]], axis=1)
    np.testing.assert_allclose(ended, (drawn[:, :1] + change <= 0.0).mean(axis=0), atol=0.01)


def test_linear_loss_is_a_straight_line_of_sensitivity_for_every_sensor() -> None:
    curve = LinearLoss(4.0)
    for rate in (0.05, 0.2):
        slope = float(curve.slope_of(np.log(1.0 - rate), 1.0))
        age = np.linspace(0.0, 4.0, 9)
        np.testing.assert_allclose(np.exp(curve.path(slope, age)), 1.0 - rate * age, rtol=1e-9)


@pytest.mark.parametrize(
    ("reserve", "sensitivity"),
    [(3.0, (0.80, 0.50, 0.31, 0.17)), (10.0, (0.92, 0.73, 0.55, 0.37)), (30.0, (0.97, 0.89, 0.78, 0.62))],
)
def test_plateau_and_knee_put_barrier_and_catalyst_in_series(reserve: float, sensitivity: tuple[float, ...]) -> None:
    """1/i = 1/i_diffusion + 1/i_kinetic: worked table of sensitivity at activity .5, .2, .1, .05, to two digits."""
    curve = PlateauKnee(3.0, 0.4, reserve)
    k = 0.7  # per year
    slope = -k / float(curve.path_by_age(-1.0, 400.0) / -1.0)  # far beyond the knee ln S falls at k
    ages = -np.log([0.5, 0.2, 0.1, 0.05]) / k
    np.testing.assert_allclose(np.exp(curve.path(slope, ages)), sensitivity, atol=0.0051)


@pytest.mark.parametrize("ratio", [2.0, 12.0])
def test_a_steady_loss_and_a_knee_are_the_bent_hyperbola(ratio: float) -> None:
    """Watts and Bacon 1974: the two lines at right and left, and at the corner half way between their slopes."""
    curve = SteadyKnee(3.0, 0.4, 0.25, ratio)
    slope = float(curve.slope_of(-0.25, 1.5))
    lines = np.array([0.02, 1.0, 60.0]) * float(curve.inverse(curve.value(1.5)))
    early, late = (float(curve.path_by_age(slope, age)) for age in (1e-9, lines[2]))
    np.testing.assert_allclose(late / early, ratio, rtol=0.03)
    steepness = curve.path_by_age(slope, np.linspace(0.01, 3.0, 400)) / early
    assert (np.diff(steepness) >= 0.0).all(), "the loss never slows"
    age = np.interp(0.5 * (1.0 + late / early), steepness, np.linspace(0.01, 3.0, 400))
    # the corner is where so much is lost
    half = 0.5 * (ratio - 1.0)
    np.testing.assert_allclose(
        curve.path(slope, age), -0.25 * (1.0 + half * 0.1), rtol=0.05
    )  # the corner is where so much is lost


def test_a_loss_that_runs_away_is_a_line_and_a_growing_exponential() -> None:
    """He, Williard, Osterman and Pecht 2011: the rate has doubled at the turn and grows e-fold over a width from there."""
    curve = Runaway(3.0, 0.4, 0.1, 0.2)
    slope = float(curve.slope_of(-0.2, 2.0))
    ages = np.linspace(0.0, 4.0, 2001)
    rate = -curve.path_by_age(slope, ages) / float(-curve.path_by_age(slope, 0.0) / (1.0 + np.exp(-1.0 / 0.2)))
    turn = np.interp(2.0, rate, ages)
    added = np.log(rate[1:] - 1.0)
    np.testing.assert_allclose(np.interp(1.2 * turn, ages[1:], added) - np.interp(turn, ages[1:], added), 1.0, rtol=1e-3)
    steady = -float(curve.path(slope, turn)) - 0.1 * 0.2 * (1.0 - np.exp(-1.0 / 0.2))
    np.testing.assert_allclose(steady, 0.1, rtol=1e-3)


def test_sensors_that_meet_their_knee_each_at_its_own_age_are_foretold_from_those_that_met_it() -> None:
    curve = SteadyKnee(4.0, 0.4, 0.2, 10.0)
    drawn = simulate(Truth(curve=curve, slope_sd=0.03, swap_below=0.0), 100, np.random.default_rng(4))
    model = AgeingModel().fit(drawn.readings, drawn.lives, drawn.cylinders)
    weight = model.curves_.groupby("curve")["weight"].sum()
    assert weight["steady then knee"] > 0.5, weight.round(3).to_dict()


def few_past_their_end(seed: int, curve: Curve) -> Fleet:
    """A fleet on the day on which a tenth of its sensors has been taken out as low."""
    truth = Truth(curve=curve, slope=-0.17, slope_sd=0.05, noise=0.01, cylinder_sd=0.015, every=0.16, visits=30.0, swap_below=0.0)
    drawn = simulate(truth, 80, np.random.default_rng(seed))
    low = drawn.readings.loc[drawn.readings["log_ratio"] < 0.0, "time"]
    return replace(drawn, readings=drawn.readings[drawn.readings["time"] <= low.sort_values().iloc[8]].reset_index(drop=True))


@pytest.mark.parametrize("seed", [1, 2])
def test_knees_that_few_sensors_have_met_are_not_taken_for_steps(seed: int) -> None:
    drawn = few_past_their_end(seed, SteadyKnee(3.0, 0.5, 0.3, 8.0))
    model = AgeingModel(parameter_uncertainty=False).fit(drawn.readings, drawn.lives, drawn.cylinders)
    weight = model.curves_.groupby("curve")["weight"].sum()
    assert weight[["steady then knee", "plateau then knee", "steady then runaway"]].sum() > 0.9, weight.round(3).to_dict()
    assert model.strata_["electrochemical CO"].surprises.steps == 0


def test_steps_that_sensors_made_are_not_taken_for_knees() -> None:
    drawn = few_past_their_end(3, Linear(4.0))
    rng = np.random.default_rng(4)
    readings, stepped = drawn.readings.copy(), drawn.lives["life_id"].iloc[rng.permutation(80)[:10]]
    count = readings["life_id"].map(readings["life_id"].value_counts())
    late = readings.groupby("life_id").cumcount() >= 6
    readings.loc[late & (count > 8) & readings["life_id"].isin(stepped), "log_ratio"] -= 0.25
    model = AgeingModel(parameter_uncertainty=False).fit(readings, drawn.lives, drawn.cylinders)
    weight = model.curves_.groupby("curve")["weight"].sum()
    assert weight[weight.index.isin(["steady then knee", "plateau then knee", "steady then runaway"])].sum() < 0.1
    assert model.strata_["electrochemical CO"].surprises.steps >= 5
