"""Kinds of very many sensors: a part tells the variances, all readings tell the paths."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from fleets import Fleet, Truth, simulate

from sensorhealth.degradation import AgeingModel, all_lives, large
from sensorhealth.degradation.all_lives import AllFit, fit_all
from sensorhealth.degradation.large import with_all_lives
from sensorhealth.degradation.predicting import Component

TRUTH = Truth(lots=6, lot_slope_sd=0.02)


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return simulate(TRUTH, 500, np.random.default_rng(523))


@pytest.fixture(scope="module")
def full(fleet: Fleet) -> AgeingModel:
    return AgeingModel().fit(fleet.readings, fleet.lives, fleet.cylinders)


@pytest.fixture(scope="module")
def by_part(fleet: Fleet) -> AgeingModel:
    return AgeingModel(most_lives=400, part_lives=350).fit(fleet.readings, fleet.lives, fleet.cylinders)


def _likeliest(model: AgeingModel) -> Component:
    return max(next(iter(model.strata_.values())).modes, key=lambda item: item.weight)


def _off(found: AllFit, exact: Component) -> tuple[float, float]:
    """Largest difference of a level or slope in standard deviations; mean ratio of these."""
    mean, covariance = exact.origin
    sd = np.sqrt(covariance[:, [0, 1], [0, 1]])
    ratio = np.sqrt(found.origin[1][:, [0, 1], [0, 1]]) / sd
    return float(np.abs((found.origin[0] - mean) / sd).max()), float(ratio.mean())


def test_all_lives_at_the_variances_of_a_full_fit_have_its_posteriors(full: AgeingModel) -> None:
    """Means to a twentieth of a standard deviation, these to a tenth: the kernel solves the same equations with all columns."""
    exact = _likeliest(full)
    fitted: Any = exact.fitted
    apart, ratio = _off(fit_all(exact.stratum, fitted, fitted.terms), exact)
    assert apart < 0.05
    assert 0.9 < ratio < 1.15


def test_a_wrong_posterior_step_is_seen_by_that_test(full: AgeingModel) -> None:
    """Gas left out of what lives share moves the paths far beyond what is asked above."""
    exact = _likeliest(full)
    fitted: Any = exact.fitted
    without = replace(exact.stratum, cylinder=np.full_like(exact.stratum.cylinder, -1))
    apart, _ = _off(fit_all(without, fitted, fitted.terms), exact)
    assert apart > 0.5


def test_forecasts_from_a_part_are_near_those_of_a_full_fit(fleet: Fleet, full: AgeingModel, by_part: AgeingModel) -> None:
    """A third of the lives are not in the part; both kinds of life are as near."""
    age = fleet.readings.groupby("life_id")["age_years"].max() + 1.0
    one, other = full.predict(list(age.index), age.to_numpy()), by_part.predict(list(age.index), age.to_numpy())
    apart = np.abs(one["mean"] - other["mean"]) / one["sd_latent"]
    assert apart.mean() < 0.35
    assert 0.8 < (other["sd_latent"] / one["sd_latent"]).mean() < 1.25
    assert any("random part of" in note for note in by_part.notes_)
    assert len(by_part.residuals_) == len(full.residuals_) == len(fleet.readings)


def test_latent_level_of_all_lives_is_covered(fleet: Fleet, by_part: AgeingModel) -> None:
    age = fleet.readings.groupby("life_id")["age_years"].max()
    (block,) = by_part.path_posterior(list(age.index), age.to_numpy())
    mean, variance = block.moments(age.to_numpy())
    inside = np.abs(fleet.level + fleet.slope * age.to_numpy() - mean) < 1.645 * np.sqrt(variance)
    narrow = np.abs(fleet.level + fleet.slope * age.to_numpy() - mean) < 0.5 * 1.645 * np.sqrt(variance)
    assert 0.85 < inside.mean() < 0.95
    assert narrow.mean() < 0.75


def test_draws_of_what_is_shared_spread_as_the_posterior(fleet: Fleet, by_part: AgeingModel) -> None:
    age = fleet.readings.groupby("life_id")["age_years"].max()
    (block,) = by_part.path_posterior(list(age.index), age.to_numpy())
    (draws,) = by_part.shared_draws(list(age.index), age.to_numpy(), 300, np.random.default_rng(5))
    levels = np.stack([one.level[0] for one in draws])
    within = np.stack([one.covariance[0, :, 0, 0] for one in draws]).mean(axis=0)
    mean, variance = block.moments(age.to_numpy())
    np.testing.assert_allclose(levels.mean(axis=0), mean, atol=0.3 * np.sqrt(variance).mean())
    np.testing.assert_allclose(np.sqrt((levels.var(axis=0) + within) / variance).mean(), 1.0, atol=0.05)


def test_kinds_of_ordinary_size_are_fitted_in_full(fleet: Fleet, full: AgeingModel) -> None:
    assert all(model.part is None for model in full.strata_.values())
    assert AgeingModel().most_lives == 2000


def test_the_same_seed_gives_the_same_part(fleet: Fleet, by_part: AgeingModel) -> None:
    again = AgeingModel(most_lives=400, part_lives=350).fit(fleet.readings, fleet.lives, fleet.cylinders)
    for one, other in zip(by_part.strata_.values(), again.strata_.values()):
        assert one.part is not None and other.part is not None
        assert list(one.part.stratum.life_id) == list(other.part.stratum.life_id)


def test_forecasts_do_not_hang_on_how_closely_the_shared_is_solved_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Gas is learnt from solutions on the way, and paths hang on it: solved much more loosely they move."""
    own = simulate(replace(TRUTH, fade=-0.1, lot_level_sd=0.05), 300, np.random.default_rng(524))
    model = AgeingModel().fit(own.readings, own.lives, own.cylinders)
    exact = _likeliest(model)
    told: Any = next(iter(model.strata_.values()))

    def paths(roughly: float) -> np.ndarray:
        for module in (all_lives, large):
            monkeypatch.setattr(module, "ROUGHLY", roughly)
        return max(with_all_lives(told, told.bare, elsewhere=True).modes, key=lambda item: item.weight).origin[0]

    sd = np.sqrt(exact.origin[1][:, [0, 1], [0, 1]])
    as_is, loose, close = paths(all_lives.ROUGHLY), paths(1e-1), paths(1e-9)
    off, far_off = (np.sqrt(np.mean(((found - close) / sd) ** 2)) for found in (as_is, loose))
    assert off < 0.001
    assert far_off > 0.01
