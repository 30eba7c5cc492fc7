"""Knees that no sensor has met yet: as likely as the readings leave them, and gone once sensors have lived without."""

from __future__ import annotations

import numpy as np
import pytest

from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.curves import Curve, Linear, Power, SteadyKnee
from sensorhealth.degradation.knees import CENTRE, EVEN, LOGS, OWN, PLACES, SOONER, SPREAD, Knees, sooner
from sensorhealth.degradation.posterior import PathPosterior

from .fleets import Truth, simulate

KIND = "electrochemical CO"


def chance(visits: float, technology: str = "electrochemical", curve: Curve | None = None) -> float:
    """Chance of a knee yet to come in a fleet of steady loss, or on a curve, visited so often; by a fit without knees."""
    truth = Truth(slope=-0.08, slope_sd=0.015, noise=0.02, visits=visits, curve=curve or Linear(4.0))
    made = simulate(truth, 40, np.random.default_rng(7), technology=technology)
    model = AgeingModel(curves="exponential", parameter_uncertainty=False).fit(made.readings, made.lives, made.cylinders)
    found = model.knees(0.0).get(f"{technology} CO")
    return 0.0 if found is None else float(found.chance.sum())


def test_early_readings_leave_a_later_knee_as_likely_as_it_was() -> None:
    early, middle, late = (chance(visits) for visits in (8.0, 14.0, 36.0))
    assert 0.2 < early < EVEN
    assert early > middle + 0.05
    assert late < 0.05  # sensors have come to their limit without one


def test_sensors_that_went_on_as_a_knee_would_have_made_them_speak_for_it() -> None:
    assert chance(24.0, curve=SteadyKnee(4.0, 0.5, 0.3, 8.0, 0.05)) > 0.9
    assert chance(24.0) < 0.1


def test_a_technology_without_a_reserve_has_no_knee() -> None:
    assert chance(8.0, "infrared") == 0.0


def path(level: float, gone: float, curve: Curve | None = None) -> PathPosterior:
    """One sensor, a year old, that has lost `gone` since new and stands at `level`."""
    one = np.ones(1)
    return PathPosterior(
        KIND, np.array(["a"], dtype=object), one, (curve or Linear(1.0),), np.array([[level]]), np.array([[-gone]]),
        np.tile(1e-6 * np.eye(2), (1, 1, 1, 1)), np.ones((1, 1)), 0.0 * one, 1e-4 * one, np.inf * one, 0.0 * one, np.array([5]),
    )  # fmt: skip


def test_a_knee_brings_the_end_sooner_by_the_way_that_is_left_behind_it() -> None:
    half = PLACES[np.abs(PLACES - 0.5).argmin()]
    at_half = Knees(((np.abs(CENTRE - np.log(half)) < 0.01) & (min(OWN) == SPREAD)).ravel().astype(float), 10)
    weight = sooner(at_half, path(0.9, 0.1), np.ones(1), 0.0)[0]
    assert weight.sum() == pytest.approx(1.0)
    # a tenth gone; the sensor's own knee lies about half way, after it 3, 8 or 20 times as fast: .9 of the way in .4 + .5 / ratio
    usual = float(weight @ LOGS)
    wanted = -np.mean([np.log((half - 0.1 + (1.0 - half) / ratio) / 0.9) for ratio in (3.0, 8.0, 20.0)])
    assert usual == pytest.approx(wanted, abs=0.12)
    assert SOONER[weight > 0.01].min() < 1.4 and SOONER[weight > 0.01].max() > 2.0  # each sensor has its own


def test_a_sensor_that_does_not_age_never_comes_to_a_knee() -> None:
    knees = Knees(np.full(CENTRE.size, EVEN / CENTRE.size), 10)
    still = path(0.5, 0.0)
    weight = sooner(knees, still, np.ones(1), 0.0)[0]
    assert SOONER[weight > 0].max() < np.exp(LOGS[-1]) + 1e-9  # at most so much sooner, of a time without end
    assert weight.sum() == pytest.approx(1.0)


def test_beyond_its_knee_a_film_slows_the_loss_no_more() -> None:
    """Worked out by hand: on a loss as the square root of age a twentieth of the way is gone after a year; a knee at a fifth is
    met after 16 years, where .00625 of the way goes a year, and the other four fifths take 128 / ratio years more, of 399."""
    root = Power(1.0, 0.5)
    at_fifth = Knees(((np.abs(CENTRE - np.log(0.2)) < 0.13) & (min(OWN) == SPREAD)).ravel().astype(float), 10)
    assert at_fifth.chance.sum() == 1.0
    place = float(np.exp(CENTRE.ravel()[at_fifth.chance.argmax()]))
    usual = float(sooner(at_fifth, path(0.95, 0.05, root), np.ones(1), 0.0)[0] @ LOGS)
    met = (place / 0.05) ** 2
    pace = 0.05 * 0.5 / np.sqrt(met)
    wanted = np.mean([np.log(399.0 / (met - 1.0 + (1.0 - place) / pace / ratio)) for ratio in (3.0, 8.0, 20.0)])
    assert usual == pytest.approx(wanted, abs=0.15)
    plain = float(sooner(at_fifth, path(0.95, 0.05), np.ones(1), 0.0)[0] @ LOGS)
    assert usual > plain + 0.5  # as shares of the way it would be as late as on a steady course
