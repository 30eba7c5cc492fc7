"""Sensors whose knees lie each at a place of its own, and sensors that are all alike; shapes of knees tuned to the readings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.curves import PlateauKnee, Runaway, SteadyKnee
from sensorhealth.degradation.curves.own_pace import OwnPace
from sensorhealth.degradation.effects import terms
from sensorhealth.degradation.fitting import Options, rough_fit
from sensorhealth.degradation.frames import build
from sensorhealth.degradation.own_knees import SHIFTS, shapes_of
from sensorhealth.degradation.own_laws import MIDDLE, MIXED, SPREAD, WEAR, WORTHS, evidence, own_law
from sensorhealth.degradation.places import LOGS, Places
from sensorhealth.degradation.tuning import tuned

from .fleets import Fleet, Truth, simulate

KIND = "electrochemical CO"
CURVE = SteadyKnee(4.0, 0.5, 0.2, 10.0, 0.05)


class KneesOfTheirOwn:
    """The curve of the kind with each sensor's knee at a factor of its own, which goes with the slope that it was drawn."""

    def __init__(self, spread: float) -> None:
        self.spread, self.factors = spread, pd.Series(dtype=float)

    def value(self, age: np.ndarray) -> np.ndarray:
        return CURVE.value(age)

    def path(self, slope: np.ndarray, age: np.ndarray) -> np.ndarray:
        own = np.unique(slope)
        drawn = np.exp(self.spread * np.random.default_rng(11).standard_normal(own.size))
        self.factors = pd.Series(drawn, index=own)
        factor = self.factors.loc[slope].to_numpy()
        return factor * CURVE.path(slope, age / factor)


def fleet(spread: float, sensors: int = 60) -> tuple[Fleet, pd.Series]:
    """A fleet whose sensors are swapped when they read low, and the factor of each life."""
    own = KneesOfTheirOwn(spread)
    truth = Truth(curve=own, slope=-0.17, slope_sd=0.03, noise=0.006, cylinder_sd=0.01, every=0.12, visits=34.0, swap_below=0.0)  # type: ignore[arg-type]
    drawn = simulate(truth, sensors, np.random.default_rng(8))
    return drawn, pd.Series(own.factors.loc[drawn.slope].to_numpy(), index=drawn.lives["life_id"])


def places_of(drawn: Fleet) -> Places | None:
    model = AgeingModel(curves="steady then knee", parameter_uncertainty=False).fit(drawn.readings, drawn.lives, drawn.cylinders)
    return model.places().get(KIND)


@pytest.fixture(scope="module")
def odd() -> tuple[Fleet, pd.Series, Places | None]:
    drawn, factor = fleet(0.35)
    return drawn, factor, places_of(drawn)


def test_sensors_with_knees_of_their_own_are_told_from_their_kind(odd: tuple[Fleet, pd.Series, Places | None]) -> None:
    _, _, found = odd
    assert found is not None and found.weight @ found.chance[:, 0] < 0.01, "that all are alike is out of the question"
    assert 0.2 < found.spread < 0.55


def test_readings_that_tell_nothing_leave_knees_as_far_apart_as_lives_that_end_by_wear() -> None:
    chance = evidence(np.zeros((3 * SHIFTS.size, 40)), 3)[0]
    spread = np.tile(SPREAD, (chance.size - 1) // MIDDLE.size)
    within = float(chance[1:][(spread > WEAR[0] - 0.03) & (spread < WEAR[1] + 0.03)].sum())
    assert 0.5 < within < 0.9, "two in three, by Weibull shapes of 2 to 5"
    assert chance[0] < 0.05, "that all are alike is a rarity"


def test_a_knee_that_came_early_or_late_is_known_from_its_readings(odd: tuple[Fleet, pd.Series, Places | None]) -> None:
    drawn, factor, found = odd
    assert found is not None
    counts = drawn.readings["life_id"].value_counts().reindex(factor.index).to_numpy()
    low = drawn.readings.groupby("life_id")["log_ratio"].min().reindex(factor.index).to_numpy() < 0.0
    guess = np.tile(SHIFTS, len(found.shapes)) @ found.law(found.told)
    life = pd.Index(found.item.stratum.life_id).get_indexer(factor.index)
    ended = low & (counts > 8)
    assert np.corrcoef(guess[life[ended]], np.log(factor.to_numpy()[ended]))[0, 1] > 0.8


def test_what_was_not_yet_known_on_a_past_day_is_not_used(odd: tuple[Fleet, pd.Series, Places | None]) -> None:
    drawn, _, found = odd
    assert found is not None
    last = drawn.readings.groupby("life_id")["age_years"].max()
    ids, then = last.index.to_numpy(), 0.4 * last.to_numpy()
    changed = drawn.readings["age_years"] > 0.4 * drawn.readings["life_id"].map(last)
    told = found.sooner(ids, then, 0.0, back=True)
    stratum = found.item.stratum
    sites = found.item.fitted.sites
    late = stratum.age > (0.4 * last).reindex(stratum.life_id).to_numpy()[stratum.life]
    assert late.sum() == changed.sum()
    other = replace(sites, response=sites.response - 0.3 * late)
    item = replace(found.item, fitted=replace(found.item.fitted, sites=other))
    np.testing.assert_array_equal(replace(found, item=item).sooner(ids, then, 0.0, back=True), told)


def test_a_life_without_readings_ends_as_the_curve_says(odd: tuple[Fleet, pd.Series, Places | None]) -> None:
    found = odd[2]
    assert found is not None
    law = found.sooner(np.array(["none"], dtype=object), np.zeros(1), 0.0)[0]
    assert law[np.argmin(np.abs(LOGS))] == 1.0 and law.sum() == 1.0


def test_sensors_that_are_alike_are_left_alone() -> None:
    found = places_of(fleet(0.0)[0])
    assert found is None or found.spread < 0.08


def test_all_lives_of_a_very_large_kind_have_places_of_their_own() -> None:
    drawn, _ = fleet(0.35, 90)
    model = AgeingModel(curves="steady then knee", parameter_uncertainty=False, most_lives=60, part_lives=50)
    found = model.fit(drawn.readings, drawn.lives, drawn.cylinders).places()[KIND]
    assert model.strata_[KIND].part is not None
    law = found.sooner(drawn.lives["life_id"].to_numpy(), np.full(90, 1.0), 0.0)
    assert (law[:, LOGS.size // 2] < 1.0).mean() > 0.9
    assert 0.2 < found.spread < 0.55


def test_curves_without_a_knee_have_no_places() -> None:
    drawn = simulate(Truth(), 20, np.random.default_rng(3))
    model = AgeingModel(curves="exponential", parameter_uncertainty=False).fit(drawn.readings, drawn.lives, drawn.cylinders)
    assert not model.places()


def test_all_parameters_of_a_knee_are_tuned_at_once() -> None:
    truth = SteadyKnee(4.0, 0.5, 0.3, 8.0, 0.02)
    drawn = simulate(
        Truth(curve=truth, slope=-0.17, slope_sd=0.04, noise=0.01, visits=30.0, swap_below=0.0), 60, np.random.default_rng(2)
    )
    stratum = build(drawn.readings, drawn.lives, drawn.cylinders, None)[KIND]
    found, options = terms(stratum, fade=False, sessions=False, lots=False), Options()
    start = rough_fit(stratum, SteadyKnee(4.0, 0.5, 0.2, 4.0), found, options)
    best = tuned(stratum, start, options)
    at_truth = rough_fit(stratum, truth, found, options, best)
    assert best.deviance < start.deviance - 100.0
    assert best.deviance < at_truth.deviance + 3.0
    assert isinstance(best.curve, SteadyKnee)
    assert best.curve.lost == pytest.approx(0.3, rel=0.1) and best.curve.ratio == pytest.approx(8.0, rel=0.15)
    assert best.curve.width < 0.05


@pytest.mark.parametrize("curve", [CURVE, Runaway(3.0, 0.4, 0.1, 0.2), PlateauKnee(3.0, 0.4, 7.0)], ids=lambda one: one.family)
def test_a_shape_is_told_by_its_parameters(curve: OwnPace) -> None:
    ages = np.linspace(0.1, 5.0, 9)
    np.testing.assert_allclose(curve.reshaped(curve.shape).path(-0.1, ages), curve.path(-0.1, ages), rtol=1e-12)
    assert not np.allclose(curve.reshaped(curve.shape + 0.2).path(-0.1, ages), curve.path(-0.1, ages), rtol=1e-3)
    np.testing.assert_allclose(curve.age_at(curve.path(-0.1, ages), -0.1), ages, rtol=1e-8)


def test_a_sharper_knee_begins_like_that_of_its_kind() -> None:
    for curve in (CURVE, Runaway(3.0, 0.4, 0.1, 0.2)):
        kind, gentler, sharper = shapes_of(curve)
        slope, age = np.full(2, -0.1), np.array([0.01, 8.0])
        early, late = np.transpose([shape.path(slope, age) for shape in (kind, gentler, sharper)])
        np.testing.assert_allclose(early, early[0], rtol=1e-3)
        assert late[2] < late[0] < late[1] or (curve.family == "steady then runaway" and late[2] < late[1])
    assert len(shapes_of(PlateauKnee(3.0, 0.4, 7.0))) == 1, "its reserve alone says where the knee is and how sharp"


def test_how_many_knees_are_sharper_is_told_by_those_that_were_met() -> None:
    log = np.full((3 * SHIFTS.size, 40), -50.0)
    log[SHIFTS.size // 2, :20] = 0.0  # as in their kind
    log[2 * SHIFTS.size + SHIFTS.size // 2, 20:30] = 0.0  # sharper
    log[:, 30:] = 0.0  # none met yet
    chance = evidence(log, 3)
    share = chance[0, 1:].reshape(len(MIXED), -1).sum(axis=1)
    assert share[0] < 1e-6 and share @ MIXED[:, 1] > 0.2 and share @ MIXED[:, 0] < 0.1
    yet = own_law(log, 3, chance)[0, :, 30:].reshape(3, SHIFTS.size, -1).sum(axis=1)
    assert (yet[2] > 0.1).all(), "one that has not met its knee may have a sharper one too"


def test_readings_count_for_something_where_the_shape_is_true(odd: tuple[Fleet, pd.Series, Places | None]) -> None:
    found = odd[2]
    assert found is not None and found.weight.sum() == pytest.approx(1.0)
    assert found.weight @ WORTHS > 0.3
