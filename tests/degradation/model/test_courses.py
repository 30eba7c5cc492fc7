"""How a loss goes on where no sensor has been: exponents that leave the curve's, the more the farther the limit is."""

from __future__ import annotations

import numpy as np
import pytest

from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.courses import LEAVES, MEMORY, SPREAD, Course, drift, exponent, leaving
from sensorhealth.degradation.curves import Curve, Linear, PlateauKnee, Power, SquareRoot, SteadyKnee
from sensorhealth.degradation.knees import AS_FORETOLD, LOGS, as_foretold
from sensorhealth.degradation.posterior import PathPosterior

from .fleets import Truth, simulate

HALF = float(np.log(2.0))


def known_to(visits: float, technology: str = "electrochemical") -> Course | None:
    """How far a fleet visited so often is known."""
    truth = Truth(slope=-0.12, slope_sd=0.015, noise=0.02, visits=visits)
    made = simulate(truth, 40, np.random.default_rng(7), technology=technology)
    model = AgeingModel(curves="exponential", parameter_uncertainty=False).fit(made.readings, made.lives, made.cylinders)
    return model.courses(0.0).get(f"{technology} CO")


def path(gone: float, curve: Curve, way: float = 0.7) -> PathPosterior:
    """One sensor, a year old, that has lost this share of its way on the curve."""
    one = np.ones(1)
    slope = -gone * way * curve.reference / curve.value(1.0)
    return PathPosterior(
        "electrochemical CO", np.array(["a"], dtype=object), one, (curve,), np.array([[way * (1.0 - gone)]]), np.array([[slope]]),
        np.tile(1e-6 * np.eye(2), (1, 1, 1, 1)), np.ones((1, 1)), 0.0 * one, 1e-4 * one, np.inf * one, 0.0 * one, np.array([5]),
    )  # fmt: skip


def law(gone: float, curve: Curve, reached: float = 0.0) -> np.ndarray:
    """Law of how much sooner its end comes than by the curve."""
    return leaving(as_foretold(1), Course(reached), path(gone, curve), np.ones(1), 0.0)[0]


def test_exponents_after_a_knee_are_those_on_which_the_belief_stands() -> None:
    """Worked out by hand: x F'(x) / F(x) where half the signal, or the whole of a way with its knee half way, is lost."""
    for reserve, wanted in ((3.0, 1.45), (10.0, 1.95), (30.0, 2.58)):
        curve = PlateauKnee(1.0, HALF, reserve)
        assert exponent(curve, np.array([-HALF]), np.ones(1), np.array([HALF]))[0] == pytest.approx(wanted, abs=0.02)
    for ratio, wanted in ((3.0, 2.0), (8.0, 4.5)):
        knee = SteadyKnee(1.0, HALF, 0.5 * HALF, ratio, 0.01)
        assert exponent(knee, np.array([-HALF]), np.ones(1), np.array([HALF]))[0] == pytest.approx(wanted, rel=0.02)
    assert exponent(SquareRoot(1.0), np.array([-HALF]), np.ones(1), np.array([HALF]))[0] == pytest.approx(0.5)


@pytest.mark.parametrize("octaves", [0.1, 0.7, 2.0, 5.0])
def test_the_mean_exponent_ahead_is_that_of_a_gaussian_process_given_its_start(octaves: float) -> None:
    """Against the same by dense matrices on a fine grid."""
    at = (np.arange(600) + 0.5) / 600 * octaves / MEMORY
    together = np.exp(-0.5 * (at[:, None] - at) ** 2)
    start = np.exp(-0.5 * at**2)
    share, spread = drift(np.array([octaves]))
    assert share[0] == pytest.approx(start.mean(), rel=1e-4)
    assert spread[0] == pytest.approx(SPREAD * np.sqrt((together - np.outer(start, start)).mean()), rel=1e-3)


def test_the_farther_the_limit_is_from_what_is_known_the_less_is_known_of_the_end() -> None:
    far, near, there = (law(0.1, Linear(1.0), reached * 0.7) for reached in (0.1, 0.7, 0.98))
    spread = [float(np.sqrt(one @ LOGS**2 - (one @ LOGS) ** 2)) for one in (far, near, there)]
    assert spread[0] > 2.0 * spread[1] > 10.0 * spread[2]
    assert far[AS_FORETOLD] == pytest.approx(1.0 - LEAVES, abs=0.08)
    for one in (far, near, there):
        assert one.sum() == pytest.approx(1.0)
        assert one.min() >= -1e-12


def test_a_film_does_not_slow_the_loss_up_to_the_end_of_life() -> None:
    film, steady = (law(0.2, curve) for curve in (Power(1.0, 0.6), Linear(1.0)))
    assert film @ LOGS > steady @ LOGS + 0.3
    assert (law(0.2, Power(1.0, 3.0)) @ LOGS) < 0.0  # nor does it go on speeding up as it did


def test_a_curve_with_a_knee_says_itself_what_comes() -> None:
    assert law(0.2, SteadyKnee(1.0, 0.14, 0.3, 8.0))[AS_FORETOLD] == 1.0


def test_what_knees_to_come_say_stays() -> None:
    before = 0.6 * as_foretold(1)
    before[0, -1] = 0.4
    after = leaving(before, Course(0.0), path(0.2, Linear(1.0)), np.ones(1), 0.0)
    assert after[0, -1] >= 0.4
    assert after.sum() == pytest.approx(1.0)


def test_a_course_is_known_as_far_as_one_sensor_in_ten_has_gone() -> None:
    early, middle = known_to(4.0), known_to(10.0)
    assert early is not None and middle is not None
    assert 0.05 < early.reached < middle.reached < 0.6  # .12 a year, a visit a quarter
    assert known_to(40.0) is None  # sensors have come to their limit
    assert known_to(4.0, "infrared") is None  # no reserve to use up
