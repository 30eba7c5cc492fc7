"""The law of the next reading: right where the model is, and better than the model where records know other surprises."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from fleets import Truth, simulate

from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.mixture import distribution, quantile
from sensorhealth.degradation.one_ahead import one_ahead
from sensorhealth.degradation.reading_law import Mixture, reading_of
from sensorhealth.evaluate.scores import crps_mixture

PLAIN = AgeingModel(curves="linear loss", parameter_uncertainty=False)


def dense(g: np.ndarray, y: np.ndarray, noise: np.ndarray, sensor: np.ndarray, brownian: float, step: np.ndarray) -> np.ndarray:
    """The same by conditioning one Gaussian vector, reading by reading: mean and variance (2, N)."""
    z = np.column_stack([np.ones(g.size), g])
    jumps = np.cumsum(step)
    latent = z @ sensor @ z.T + brownian * np.minimum.outer(g, g) + np.minimum.outer(jumps, jumps)
    found = np.zeros((2, g.size))
    for k in range(g.size):
        past = latent[:k, :k] + np.diag(noise[:k])
        cross = latent[k, :k]
        found[0, k] = cross @ np.linalg.solve(past, y[:k]) if k else 0.0
        found[1, k] = latent[k, k] - step[k] - (cross @ np.linalg.solve(past, cross) if k else 0.0)
    return found


def test_the_filter_is_the_conditional_normal_law() -> None:
    rng = np.random.default_rng(1)
    offsets = np.array([0, 5, 5, 6, 14])
    g = np.concatenate([np.sort(rng.uniform(0.0, 4.0, n)) for n in (5, 1, 8)])
    y, noise = rng.normal(0.0, 0.2, 14), rng.uniform(0.01, 0.05, 14) ** 2
    sensor = np.array([[0.02, -0.004], [-0.004, 0.003]])
    step = np.zeros(14)
    step[[3, 9]] = 0.04, 0.09
    mean, variance, after, _, _ = one_ahead(offsets, g, y, noise, sensor, 0.002, step)
    for begin, end in pairwise(offsets):
        if begin == end:
            continue
        own = slice(begin, end)
        expected = dense(g[own], y[own], noise[own], sensor, 0.002, step[own])
        np.testing.assert_allclose(np.stack([mean[own], variance[own]]), expected, atol=1e-10)
        last = end - 1
        gain = (variance[last] + step[last]) / (variance[last] + step[last] + noise[last])
        assert after[last] == pytest.approx(mean[last] + gain * (y[last] - mean[last]), abs=1e-12)


def test_sensors_without_readings_or_spread_do_no_harm() -> None:
    mean, variance, *_ = one_ahead(np.array([0, 0]), *(np.zeros(0) for _ in range(3)), np.zeros((2, 2)))
    assert mean.size == variance.size == 0
    mean, variance, *_ = one_ahead(np.array([0, 2]), np.ones(2), np.ones(2), np.full(2, 1e-12), np.zeros((2, 2)))
    assert mean.tolist() == variance.tolist() == [0.0, 0.0]


def parted(readings: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """All readings but the last of each life, and that one."""
    last = ~readings.duplicated("life_id", keep="last") & readings.duplicated("life_id", keep=False)
    return readings[~last].reset_index(drop=True), readings[last].reset_index(drop=True)


def foretold(model: AgeingModel, later: pd.DataFrame) -> tuple[Mixture, Mixture, np.ndarray]:
    """The readings `later` as mixtures, by the law and without it, and what came."""
    path = model.path_posterior(later, later["age_years"])[0]
    law = model.reading_laws()[path.stratum]
    age, came = later["age_years"].to_numpy(), later["log_ratio"].to_numpy()
    return reading_of(path, age, law), reading_of(path, age), came


def held(mixture: Mixture, came: np.ndarray, level: float = 0.9) -> float:
    return float((np.abs(distribution(*mixture, came) - 0.5) < level / 2).mean())


def test_where_the_model_is_right_the_law_leaves_it_alone() -> None:
    known = simulate(Truth(visits=12.0, cylinder_sd=0.0), 150, np.random.default_rng(2))
    past, later = parted(known.readings.sort_values(["life_id", "age_years"]))
    law, plain, came = foretold(PLAIN.fit(past.assign(cylinder="", session=""), known.lives), later)
    assert crps_mixture(*law, came).mean() < 1.02 * crps_mixture(*plain, came).mean()
    assert held(law, came) == pytest.approx(0.9, abs=0.06)


def surprising(rng: np.random.Generator, sensors: int = 200) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Paths of which most stand still and few jump far and stay there: no noise, wander or spread of slopes is like it."""
    count = 8
    jump = np.where(rng.random((sensors, count)) < 0.15, rng.normal(0.0, 0.08, (sensors, count)), 0.0)
    y = 0.3 + np.cumsum(jump, axis=1) + 0.004 * rng.standard_normal((sensors, count))
    name = np.array([f"s{i}" for i in range(sensors)], dtype=object)
    readings = pd.DataFrame(
        {
            "life_id": np.repeat(name, count),
            "age_years": np.tile(np.arange(1, count + 1), sensors) + rng.uniform(-0.2, 0.2, sensors * count),
            "log_ratio": y.ravel(),
        }
    )
    lives = pd.DataFrame({"life_id": name, "stratum": "k", "technology": "infrared", "gas": "CO2", "lot": ""})
    return readings, lives


def test_surprises_that_no_noise_is_like_are_learnt_from_the_past() -> None:
    readings, lives = surprising(np.random.default_rng(3))
    past, later = parted(readings)
    law, plain, came = foretold(PLAIN.fit(past, lives), later)
    last = past.groupby("life_id", sort=False)["log_ratio"].last().reindex(later["life_id"]).to_numpy()
    assert crps_mixture(*law, came).mean() < 0.95 * crps_mixture(*plain, came).mean()
    assert np.abs(came - quantile(*law, 0.5)).mean() < 1.01 * np.abs(came - last).mean()
    assert 0.85 < held(law, came) < 0.95


def test_the_cylinder_in_use_is_reckoned_with() -> None:
    known = simulate(Truth(visits=12.0, cylinder_sd=0.08, cylinders=8, noise=0.01), 120, np.random.default_rng(4))
    past, later = parted(known.readings.sort_values(["life_id", "age_years"]))
    law, plain, came = foretold(PLAIN.fit(past, known.lives), later)
    assert crps_mixture(*law, came).mean() < 0.85 * crps_mixture(*plain, came).mean()


def test_a_sensor_without_a_reading_or_long_unread_is_left_to_the_model() -> None:
    readings, lives = surprising(np.random.default_rng(5), 60)
    model = PLAIN.fit(readings, pd.concat([lives, lives.iloc[[0]].assign(life_id="new")], ignore_index=True))
    law = model.reading_laws()["k"]
    one = np.ones(1)
    latent = one, np.full((1, 2), -5.0), np.full((1, 2), 1e-4)  # far from every last value, so that its share shows
    terms = 0.0 * one, 1e-4 * one, np.inf * one
    at = np.array([readings["age_years"].max() + 1000.0, 1.0])
    mixture = law.reading(np.array(["s0", "new"], dtype=object), at, latent, *terms)
    near_last = distribution(*mixture, np.full(2, 10.0)) - distribution(*mixture, np.full(2, -1.0))
    assert near_last[0] < 0.01
    assert near_last[1] < 0.005  # the far tails of the law alone


def test_too_few_readings_teach_nothing() -> None:
    readings, lives = surprising(np.random.default_rng(6), 2)
    law = PLAIN.fit(readings.iloc[:3], lives.iloc[:1]).reading_laws()["k"]
    assert law.shares[0] == 1.0
    assert law.foretold == 0


def test_next_reading_speaks_by_the_law() -> None:
    readings, lives = surprising(np.random.default_rng(7), 60)
    past, later = parted(readings)
    model = PLAIN.fit(past, lives)
    law, _, _ = foretold(model, later)
    table = model.next_reading(later, later["age_years"])
    np.testing.assert_allclose(table["p50"], quantile(*law, 0.5), atol=1e-5)
    np.testing.assert_allclose(table["p95"], quantile(*law, 0.95), atol=1e-5)
