"""Readings that wiggle about their path and come back: told from a path that wanders, and only where they do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fleets import Fleet, Truth, simulate

from sensorhealth.degradation import AgeingModel, choosing
from sensorhealth.degradation.reading_law import reading_of

KIND = "electrochemical CO"
SIZE, YEARS, NOISE = 0.02, 0.2, 0.006
TRUTH = Truth(slope=-0.12, slope_sd=0.03, level_sd=0.05, noise=NOISE, every=0.09, visits=35.0, cylinder_sd=0.01)
MODEL = AgeingModel(curves="exponential", parameter_uncertainty=False)


def wiggling(size: float, seed: int, sensors: int = 40, **truth: float) -> Fleet:
    """A fleet whose readings wander about their paths with standard deviation `size` and come back e-fold in YEARS."""
    rng = np.random.default_rng(seed)
    drawn = simulate(replace(TRUTH, **truth), sensors, rng)
    moved = []
    for _, own in drawn.readings.groupby("life_id", sort=False)["age_years"]:
        age = own.to_numpy()
        covariance = np.exp(-np.abs(age[:, None] - age) / YEARS)
        moved.append(size * np.linalg.cholesky(covariance + 1e-9 * np.eye(len(own))) @ rng.standard_normal(len(own)))
    return replace(drawn, readings=drawn.readings.assign(log_ratio=drawn.readings["log_ratio"] + np.concatenate(moved)))


def fitted_to(fleet: Fleet) -> AgeingModel:
    return AgeingModel(**MODEL.get_params()).fit(fleet.readings, fleet.lives, fleet.cylinders)


@pytest.fixture(scope="module")
def found() -> tuple[Fleet, AgeingModel]:
    fleet = wiggling(SIZE, 41)
    return fleet, fitted_to(fleet)


@pytest.fixture(scope="module")
def blind(found: tuple[Fleet, AgeingModel]) -> AgeingModel:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(choosing, "with_wiggle", lambda stratum, first, options: first)
        return fitted_to(found[0])


def test_a_wiggle_is_found_with_its_size_and_time(found: tuple[Fleet, AgeingModel]) -> None:
    fit = found[1].strata_[KIND].modes[0].fitted
    assert 0.4 * YEARS < fit.terms.wiggle.years < 2.5 * YEARS
    assert np.sqrt(fit.parameters.returning) == pytest.approx(SIZE, rel=0.25)
    assert np.sqrt(fit.parameters.residual) == pytest.approx(NOISE, rel=0.35)
    assert any("wiggle about their paths" in note for note in found[1].notes_)
    table = found[1].variance_parameters_.set_index("parameter")["variance"]
    assert table["wiggle"] == pytest.approx(SIZE**2, rel=0.5)


@pytest.mark.parametrize("seed", [42, 43, 44])
def test_none_is_seen_where_paths_wander_or_readings_are_noisy(seed: int) -> None:
    for truth in ({"brownian": 0.03**2}, {}):
        assert fitted_to(wiggling(0.0, seed, **truth)).strata_[KIND].modes[0].fitted.terms.wiggle is None


def test_paths_far_ahead_are_told_as_sharply_as_they_can_be(found: tuple[Fleet, AgeingModel], blind: AgeingModel) -> None:
    """Two years on: errors as large as said, and said to be half of what a wandering path would make them."""
    fleet, model = found
    age = fleet.readings.groupby("life_id", sort=False)["age_years"].max().reindex(fleet.lives["life_id"]).to_numpy() + 2.0
    truth = fleet.level + TRUTH.curve.path(fleet.slope, age)
    told, other = model.predict(fleet.lives, age), blind.predict(fleet.lives, age)
    error = (told["mean"].to_numpy() - truth) / told["sd_latent"].to_numpy()
    assert 0.6 < np.sqrt(np.mean(error**2)) < 1.4
    assert told["sd_latent"].mean() < 0.7 * other["sd_latent"].mean()


def test_the_next_reading_follows_the_last_and_forgets_it(found: tuple[Fleet, AgeingModel]) -> None:
    """Soon after a reading above its path the next is expected above it, with less doubt than long after."""
    fleet, model = found
    ids = fleet.lives["life_id"].tolist()
    path = model.path_posterior(ids, fleet.readings.groupby("life_id", sort=False)["age_years"].max().reindex(ids).to_numpy())[0]
    last = path.wiggle.last
    above = path.wiggle.mean[0] > SIZE
    assert above.any()
    for years, left in ((0.05, np.exp(-0.05 / path.wiggle.years[0])), (3.0, 0.0)):
        latent, read = path.latent(last + years)[0][0], path.as_read(last + years)[0][0]
        np.testing.assert_allclose((read - latent)[above], left * path.wiggle.mean[0][above], atol=1e-7)
    spread = [path.as_read(last + years)[1][0] - path.latent(last + years)[1][0] for years in (0.02, 3.0)]
    assert (spread[0] < spread[1]).all()
    assert spread[1] == pytest.approx(path.wiggle.lasting[0], rel=1e-3)
    mixture = reading_of(path, last + 3.0)
    assert mixture[1].shape[1] == len(ids)


def test_updates_keep_the_wiggle_and_agree_with_all_readings_at_once(found: tuple[Fleet, AgeingModel]) -> None:
    fleet = found[0]
    last = fleet.readings.groupby("life_id")["age_years"].transform("max") == fleet.readings["age_years"]
    early = AgeingModel(**MODEL.get_params()).fit(fleet.readings[~last], fleet.lives, fleet.cylinders)
    both = early.update(fleet.readings[last])
    at_once = early.update(fleet.readings[last].iloc[:0])
    assert early.strata_[KIND].modes[0].fitted.terms.wiggle == both.strata_[KIND].modes[0].fitted.terms.wiggle
    age = np.full(len(fleet.lives), 4.0)
    moved = both.predict(fleet.lives, age)["mean"] - at_once.predict(fleet.lives, age)["mean"]
    assert 0.0 < np.abs(moved).max() < 0.2


def test_lives_elsewhere_are_told_as_by_noise_that_tells_as_little(found: tuple[Fleet, AgeingModel]) -> None:
    """Sensors of other sites are not told of wiggles, but their paths are no surer for it."""
    fleet, model = found
    other = model.for_others(fleet.readings, fleet.lives, fleet.cylinders)
    age = np.full(len(fleet.lives), 4.5)
    mine, theirs = model.predict(fleet.lives, age), other.predict(fleet.lives, age)
    assert other.strata_[KIND].modes[0].fitted.terms.wiggle is None
    assert theirs["sd_latent"].mean() == pytest.approx(mine["sd_latent"].mean(), rel=0.3)
    assert np.abs(theirs["mean"] - mine["mean"]).mean() < mine["sd_latent"].mean()
