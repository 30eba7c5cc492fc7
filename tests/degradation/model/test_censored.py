"""Readings at the display limit and failed tests without a value."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fleets import Fleet, Truth, simulate

from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.robust import EXACT, Sites, revise
from sensorhealth.degradation.settling import Settling, settle


def plain_model() -> AgeingModel:
    return AgeingModel(curves="exponential", sessions=False, parameter_uncertainty=False)


def estimates(model: AgeingModel) -> pd.Series:
    return model.fixed_effects_.set_index("effect")["estimate"]


@pytest.fixture(scope="module")
def limited() -> Fleet:
    return simulate(Truth(display=0.6, level=0.75), 250, np.random.default_rng(3))


def test_display_limit_neither_flattens_nor_shrinks(limited: Fleet) -> None:
    """A quarter of the readings stand at the limit; taken at face value they lose a third of the slope."""
    share = (limited.readings["censoring"] == 1).mean()
    assert 0.2 < share < 0.5
    model = plain_model().fit(limited.readings, limited.lives, limited.cylinders)
    naive = plain_model().fit(limited.readings.assign(censoring=0), limited.lives, limited.cylinders)
    assert estimates(model)["slope"] == pytest.approx(-0.12, abs=0.012)
    assert estimates(naive)["slope"] > -0.105
    variances = model.variance_parameters_.set_index("parameter")["variance"] ** 0.5
    assert variances["noise"] == pytest.approx(0.03, rel=0.05)
    assert variances["sensor slope"] == pytest.approx(0.04, rel=0.15)


def test_readings_in_doubt_stand_for_themselves_however_softly_stand_ins_tread() -> None:
    """A reading given its own variance is Gaussian as it stands: no move of its stand-in, and nothing gained by one."""
    y, seen, noise = np.array([0.70, 0.68, 0.20]), np.zeros(3, dtype=np.int8), 0.03**2
    doubt = np.array([np.nan, np.nan, 0.25])
    held = Sites(y, np.array([1.0, 0.9, noise / 0.25]), 0.0, 0.0)
    mean, variance = np.array([0.69, 0.69, 0.66]), np.full(3, 1e-4)
    whole, half = (revise(held, y, seen, mean, variance, noise, 3.0, step, 0.1, doubt) for step in (1.0, 0.5))
    for found in (whole, half):
        assert found.weight[2] == pytest.approx(noise / 0.25)
        assert found.response[2] == y[2]
    alone = revise(held, y, seen, mean, variance, noise, 3.0, 0.5, 0.1, np.array([0.1, 0.1, 0.25]))
    assert alone.gain == 0.0


def with_deaths(fleet: Fleet, share: float, rng: np.random.Generator) -> pd.DataFrame:
    """Some sensors die at once: after their last reading a test fails without a value and without a cylinder."""
    last = fleet.readings.groupby("life_id").tail(1)
    dead = last[rng.random(len(last)) < share]
    failed = dead.assign(
        age_years=dead["age_years"] + 0.2, time=dead["time"] + pd.Timedelta(days=73), log_ratio=0.0, censoring=-1,
        cylinder="", session="", row=np.arange(len(dead)) + 10**6,
    )  # fmt: skip
    return pd.concat([fleet.readings, failed], ignore_index=True)


def test_sensors_that_die_at_once_bend_neither_paths_nor_gas() -> None:
    rng = np.random.default_rng(8)
    fleet = simulate(Truth(slope=-0.03, slope_sd=0.01, visits=12), 80, rng)
    model = plain_model().fit(with_deaths(fleet, 0.3, rng), fleet.lives, fleet.cylinders)
    assert estimates(model)["level"] == pytest.approx(0.7, abs=0.05)
    assert estimates(model)["slope"] == pytest.approx(-0.03, abs=0.015)
    truth = fleet.bias[model.cylinder_effects_["cylinder_id"].str[1:].astype(int)]
    assert np.abs(model.cylinder_effects_["bias"] - truth).mean() < 0.02


def test_failed_test_without_a_value_counts_where_the_path_was_near_its_end() -> None:
    fleet = simulate(Truth(visits=15, level_sd=0.05), 80, np.random.default_rng(9))
    one = fleet.lives["life_id"].iloc[0]
    mine = fleet.readings["life_id"] == one
    near = fleet.readings.copy()
    near.loc[mine, "log_ratio"] -= near.loc[mine, "log_ratio"].iloc[-1] - 0.05  # ends at a ratio of 1.05
    last = near[mine].iloc[[-1]]
    failed = last.assign(age_years=last["age_years"] + 0.1, log_ratio=0.0, censoring=-1, row=10**6)
    without = plain_model().fit(near, fleet.lives, fleet.cylinders)
    told = plain_model().fit(pd.concat([near, failed], ignore_index=True), fleet.lives, fleet.cylinders)
    age = float(last["age_years"].iloc[0]) + 0.1
    assert told.predict([one], age)["mean"].iloc[0] < without.predict([one], age)["mean"].iloc[0] - 0.005


def test_a_deviance_is_right_before_its_stand_ins_have_come_to_rest() -> None:
    """Curves are compared by deviances of fits that end early: near rest what is left to move counts in second order only."""
    fleet = simulate(Truth(degrees=4.0), 60, np.random.default_rng(8))
    model = plain_model().fit(fleet.readings, fleet.lives, fleet.cylinders)
    fitted = next(iter(model.strata_.values())).modes[0].fitted
    found: dict[int, float] = {}
    parts: dict[int, float] = {}
    for steps in (3, 4, 60):
        how = Settling(fitted.degrees, "REML", 1e-9, EXACT, steps, stragglers=0.0)
        _, fit, sites = settle(fitted.ground, fitted.parameters, fitted.held, how)
        found[steps], parts[steps] = fit.deviance_ml - 2.0 * sites.gain, fit.deviance_ml
    assert abs(parts[3] - parts[60]) > 10.0  # the Gaussian part alone still moves
    assert found[3] == pytest.approx(found[60], abs=0.05)
    assert found[4] == pytest.approx(found[60], abs=0.01)
