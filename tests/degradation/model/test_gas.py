"""Ordinary gas, odd gas and fading gas: what their prior is learnt as, and what it keeps off the sensors' account."""

from __future__ import annotations

import numpy as np
import pytest
from fleets import Fleet, Truth, simulate
from scipy.integrate import quad
from scipy.stats import norm

from sensorhealth.degradation import AgeingModel, strata
from sensorhealth.degradation.gas import grown
from sensorhealth.degradation.gas_sites import Mixture, Site, first_site, moved, revised


def mixture(size: int, **changes: object) -> Mixture:
    usual = {"unit": np.full(size, 0.05), "usual": 0.25, "share": 0.1, "centre": -0.1, "wide": np.full(size, 0.1)}
    return Mixture(**{**usual, "own": np.ones(size, dtype=bool), **changes})  # type: ignore[arg-type]


def posterior(site: Site, value: np.ndarray, sampling: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Deviation from the site's mean and variance of effects of which the readings say N(value, sampling)."""
    variance = 1.0 / (1.0 / site.variance + 1.0 / sampling)
    return variance * (site.mean / site.variance + value / sampling) - site.mean, variance


def test_a_site_gives_the_mean_and_variance_that_the_mixture_has_by_quadrature() -> None:
    value, sampling = np.array([-0.15, 0.01, -0.06, 0.2]), np.array([0.01, 0.02, 0.03, 0.02]) ** 2
    believed = mixture(4)
    site = first_site(believed, 0.25)
    for _ in range(50):
        site = revised(believed, site, *posterior(site, value, sampling))
    found, spread = posterior(site, value, sampling)
    for k in range(4):

        def density(x: float, power: int = 0, k: int = k) -> float:
            odd = site.share * norm.pdf(x, -0.1, 0.1)
            ordinary = (1.0 - site.share) * norm.pdf(x, 0.0, 0.05 * np.sqrt(site.ordinary))
            return float(x**power * (ordinary + odd) * norm.pdf(value[k], x, np.sqrt(sampling[k])))

        total, first, second = (
            quad(density, -0.5, 0.5, args=(power,), limit=200, points=[0.0, value[k]])[0] for power in range(3)
        )
        mean, exact = first / total, second / total - (first / total) ** 2
        assert site.mean[k] + found[k] == pytest.approx(mean, abs=1e-6)
        if k == 2:  # may be the one or the other: held to the two groups' mean variance, to keep a site a normal
            assert 0.5 * exact < spread[k] < exact
        else:
            assert spread[k] == pytest.approx(exact, rel=0.01)


def test_how_wide_ordinary_ones_are_and_how_many_are_odd_is_learnt() -> None:
    rng = np.random.default_rng(5)
    odd = rng.random(600) < 0.2
    truth = np.where(odd, -0.1 + 0.1 * rng.standard_normal(600), 0.015 * rng.standard_normal(600))
    sampling = np.full(600, 0.01**2)
    value = truth + 0.01 * rng.standard_normal(600)
    believed = mixture(600)
    site = first_site(believed, 1.0)
    for _ in range(5):
        before, site = site, revised(believed, site, *posterior(site, value, sampling))
    assert moved(before, site) < 1e-3
    assert 0.05 * np.sqrt(site.ordinary) == pytest.approx(0.015, rel=0.1)
    assert site.share == pytest.approx(0.2, abs=0.04)
    clear = value < -0.1
    assert (site.variance[clear] > 0.09**2).all()  # clearly odd: hardly held back


def test_an_effect_without_readings_keeps_the_mixtures_own_mean() -> None:
    believed = mixture(2, own=np.array([True, False]))
    site = first_site(believed, 0.25)
    found = revised(believed, site, np.zeros(2), site.variance)
    assert found.mean[0] == pytest.approx(-0.1 * found.share)
    assert (found.mean[1], found.width[1]) == (0.0, pytest.approx(0.05))  # not on record: ordinary


def fading_fleet(seed: int) -> tuple[Fleet, np.ndarray]:
    """Three cylinders of twenty fade by 18 to 36 % a year, one is 20 % weak; the sensors' paths are straight."""
    truth = Truth(cylinder_sd=0.02, noise=0.02, every=0.1, visits=25.0, cylinders=20)
    fleet = simulate(truth, 24, np.random.default_rng(seed), gas="H2S")
    rng = np.random.default_rng(100 + seed)
    fade, bias = np.zeros(20), fleet.bias.copy()
    chosen = rng.permutation(20)
    fade[chosen[:3]], bias[chosen[3]] = -rng.uniform(0.18, 0.36, 3), -0.2
    number = fleet.readings["cylinder"].str[1:].astype(int).to_numpy()
    added = fade[number] * fleet.readings["cylinder_days"] / 365.25 + (bias - fleet.bias)[number]
    readings = fleet.readings.assign(log_ratio=fleet.readings["log_ratio"] + added)
    cylinders = fleet.cylinders.assign(tolerance_pct=5.0)
    return Fleet(**{**vars(fleet), "readings": readings, "cylinders": cylinders, "bias": bias}), fade


def latent_errors(fleet: Fleet) -> tuple[np.ndarray, np.ndarray, AgeingModel]:
    """Error of each sensor's latent level at its last reading, and it in standard deviations."""
    model = AgeingModel(curves="exponential", brownian=False).fit(fleet.readings, fleet.lives, fleet.cylinders)
    age = fleet.readings.groupby("life_id")["age_years"].max()
    told = model.predict(list(age.index), age.to_numpy())
    error = told["mean"].to_numpy() - (fleet.level + fleet.slope * age.to_numpy())
    return error, error / told["sd_latent"].to_numpy(), model


def test_what_bad_cylinders_have_in_common_is_not_booked_as_the_sensors_ageing(monkeypatch: pytest.MonkeyPatch) -> None:
    """One normal for all cylinders makes the sensors out older than they are; with the mixture they hardly are."""
    fleets = [fading_fleet(seed) for seed in range(8)]
    found = [latent_errors(fleet) for fleet, _ in fleets]
    bias, size = np.mean([error.mean() for error, _, _ in found]), np.mean([(error**2).mean() for error, _, _ in found])
    within = np.mean([(np.abs(z) < 1.645).mean() for _, z, _ in found])
    assert 0.82 < within < 0.98
    monkeypatch.setattr(strata, "with_gas_prior", lambda stratum, fitted, method: (stratum, fitted))
    plain = [latent_errors(fleet)[0] for fleet, _ in fleets]
    assert abs(bias) < 0.6 * abs(np.mean([error.mean() for error in plain]))
    assert size < 0.6 * np.mean([(error**2).mean() for error in plain])


def test_cylinders_that_fade_are_told_from_those_that_keep() -> None:
    fade, told = [], []
    for seed in range(4):
        fleet, truth = fading_fleet(seed)
        table = latent_errors(fleet)[2].cylinder_effects_
        used = table[table["readings"] >= 20]
        fade.append(truth[used["cylinder_id"].str[1:].astype(int)])
        told.append(used["fade_per_year"].to_numpy())
    fades = np.concatenate(fade) < 0.0
    estimate = np.concatenate(told)
    assert np.median(estimate[fades]) < -0.15
    assert np.abs(estimate[~fades]).mean() < 0.03


def test_new_cylinders_are_ordinary_until_the_next_fit() -> None:
    fleet, _ = fading_fleet(1)
    early = fleet.readings["time"] < fleet.readings["time"].quantile(0.6)
    model = AgeingModel(curves="exponential", sessions=False).fit(fleet.readings[early], fleet.lives, fleet.cylinders)
    later = model.update(fleet.readings[~early])
    (old,), (new,) = model.strata_.values(), later.strata_.values()
    assert old.stratum.gas_prior is not None and new.stratum.gas_prior is not None
    count, more = old.stratum.tolerance.size, new.stratum.tolerance.size
    assert more > count
    np.testing.assert_array_equal(new.stratum.gas_prior.bias_width[:count], old.stratum.gas_prior.bias_width)
    assert (new.stratum.gas_prior.bias_width[count:] == 1.0).all()
    assert grown(None, 3) is None
