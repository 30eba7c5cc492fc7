"""New sensors that rise at first: told from their ageing, and only where they do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from fleets import Fleet, Truth, simulate

from sensorhealth.degradation import AgeingModel, strata
from sensorhealth.degradation.curves import LinearLoss

KIND = "electrochemical CO"
RISE, TIME = 0.03, 0.2
TRUTH = Truth(
    curve=LinearLoss(4.0), slope=-0.1, slope_sd=0.02, level_sd=0.03, noise=0.004, every=0.06, visits=30.0, cylinder_sd=0.0
)
MODEL = AgeingModel(parameter_uncertainty=False)


def rising(size: float, sensors: int = 40) -> Fleet:
    """A fleet of steady loss whose sensors first rise by `size`, each by half to twice as much."""
    drawn = simulate(TRUTH, sensors, np.random.default_rng(31))
    own = pd.Series(np.exp(0.3 * np.random.default_rng(5).standard_normal(sensors)), index=drawn.lives["life_id"])
    rest = np.exp(-drawn.readings["age_years"] / TIME) * drawn.readings["life_id"].map(own)
    readings = drawn.readings.assign(log_ratio=drawn.readings["log_ratio"] - size * rest, cylinder="", session="")
    return replace(drawn, readings=readings)


def ahead(model: AgeingModel, fleet: Fleet) -> np.ndarray:
    """Error of the paths three years on, in ln ratio."""
    age = np.full(len(fleet.lives), 5.0)
    found = model.predict(fleet.lives, age)["mean"].to_numpy()
    return found - (fleet.level + TRUTH.curve.path(fleet.slope, age))


@pytest.fixture(scope="module")
def fitted() -> tuple[Fleet, AgeingModel]:
    fleet = rising(RISE)
    return fleet, AgeingModel(**MODEL.get_params()).fit(fleet.readings, fleet.lives)


def test_a_rise_of_new_sensors_is_found(fitted: tuple[Fleet, AgeingModel]) -> None:
    model = fitted[1]
    terms = model.strata_[KIND].modes[0].fitted.terms
    assert 0.5 * TIME < terms.break_in < 2.0 * TIME
    found = model.fixed_effects_.set_index("effect").loc["break-in"]
    assert found["estimate"] == pytest.approx(-RISE, abs=max(4.0 * found["std_error"], 0.3 * RISE))
    own = model.variance_parameters_.set_index("parameter")["variance"]["break-in"]
    assert any("new sensors rise at first" in note for note in model.notes_)
    assert 0.1 * RISE < np.sqrt(own) < 0.6 * RISE, "sensors differ in it by three tenths"


def test_it_does_not_pass_for_ageing(fitted: tuple[Fleet, AgeingModel], monkeypatch: pytest.MonkeyPatch) -> None:
    fleet, model = fitted
    monkeypatch.setattr(strata, "break_in_of", lambda *given: 0.0)
    blind = AgeingModel(**MODEL.get_params()).fit(fleet.readings, fleet.lives)
    assert np.abs(ahead(model, fleet)).mean() < 0.8 * np.abs(ahead(blind, fleet)).mean()


def test_within_the_records_the_path_is_as_it_was_read(fitted: tuple[Fleet, AgeingModel]) -> None:
    fleet, model = fitted
    first = fleet.readings.groupby("life_id").first()
    said = model.predict(first.index.to_numpy(), first["age_years"].to_numpy())
    assert np.abs(said["mean"].to_numpy() - first["log_ratio"].to_numpy()).mean() < 2.0 * TRUTH.noise


def test_readings_that_come_later_keep_it(fitted: tuple[Fleet, AgeingModel]) -> None:
    fleet, model = fitted
    new = fleet.readings.groupby("life_id").last().reset_index()
    new = new.assign(age_years=new["age_years"] + 0.1, time=new["time"] + pd.Timedelta(days=36))[fleet.readings.columns]
    assert model.update(new).strata_[KIND].modes[0].fitted.terms.break_in > 0.0
    other = model.for_others(fleet.readings, fleet.lives)
    np.testing.assert_allclose(ahead(other, fleet), ahead(model, fleet), atol=0.02)


def test_a_part_of_a_large_kind_tells_it_to_all() -> None:
    fleet = rising(RISE, 60)
    model = AgeingModel(parameter_uncertainty=False, most_lives=50, part_lives=40).fit(fleet.readings, fleet.lives)
    assert model.strata_[KIND].modes[0].fitted.terms.break_in > 0.0
    assert np.abs(ahead(model, fleet)).mean() < 0.1


@pytest.mark.parametrize("size", [0.0, -RISE], ids=["none", "a fall"])
def test_where_nothing_rises_there_is_none(size: float) -> None:
    fleet = rising(size)
    model = AgeingModel(**MODEL.get_params()).fit(fleet.readings, fleet.lives)
    assert all(item.fitted.terms.break_in == 0.0 for item in model.strata_[KIND].modes)


def test_sensors_that_were_old_when_records_began_tell_of_none() -> None:
    fleet = rising(RISE)
    late = fleet.readings[fleet.readings["age_years"] > 3.0 * TIME]
    model = AgeingModel(**MODEL.get_params()).fit(late, fleet.lives)
    assert all(item.fitted.terms.break_in == 0.0 for item in model.strata_[KIND].modes)
