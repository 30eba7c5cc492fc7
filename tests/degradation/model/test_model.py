"""The estimator end to end on fleets of known truth."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from fleets import Fleet, Truth, simulate
from sklearn.base import clone

from sensorhealth.degradation import AgeingModel
from sensorhealth.errors import FitError


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return simulate(Truth(lots=6, lot_slope_sd=0.02), 150, np.random.default_rng(11))


@pytest.fixture(scope="module")
def model(fleet: Fleet) -> AgeingModel:
    return AgeingModel(sessions=False).fit(fleet.readings, fleet.lives, fleet.cylinders)


def last_age(fleet: Fleet) -> pd.Series:
    return fleet.readings.groupby("life_id")["age_years"].max()


def test_latent_level_now_is_covered(fleet: Fleet, model: AgeingModel) -> None:
    age = last_age(fleet)
    (block,) = model.path_posterior(list(age.index), age.to_numpy())
    mean, variance = block.moments(age.to_numpy())
    truth = fleet.level + fleet.slope * age.to_numpy()
    inside = np.abs(truth - mean) < 1.645 * np.sqrt(variance)
    assert 0.83 < inside.mean() < 0.97
    assert np.std(truth - mean) < 0.5 * 0.03  # better than one reading


def test_biased_cylinder_is_not_taken_for_ageing(fleet: Fleet, model: AgeingModel) -> None:
    table = model.cylinder_effects_
    truth = fleet.bias[table["cylinder_id"].str[1:].astype(int)]
    error = table["bias"] - truth
    assert np.corrcoef(table["bias"], truth)[0, 1] > 0.9
    assert np.abs((error - error.mean()) / table["bias_sd"]).mean() < 1.2


def test_readings_without_a_cylinder_on_record_are_not_taken_as_free_of_gas_error() -> None:
    """As anchors they would hold all paths: 90 % intervals then cover less than half of the truth on these fleets."""
    inside: dict[float, list[np.ndarray]] = {0.0: [], 0.06: []}
    for seed in range(6):
        fleet = simulate(Truth(cylinder_sd=0.05, noise=0.02), 40, np.random.default_rng(40 + seed))
        drawn = np.random.default_rng(seed).random(len(fleet.readings))
        for share, kept in inside.items():
            readings = fleet.readings.assign(cylinder=fleet.readings["cylinder"].where(drawn >= share, ""))
            model = AgeingModel(curves="exponential").fit(readings, fleet.lives, fleet.cylinders)
            assert set(model.cylinder_effects_["cylinder_id"]) <= set(fleet.cylinders["cylinder_id"])
            told = model.predict(readings["life_id"], readings["age_years"].to_numpy())
            kept.append(np.abs(told["mean"] - fleet.latent) < 1.645 * told["sd_latent"])
    recorded, missing = (float(np.concatenate(kept).mean()) for kept in inside.values())
    assert abs(recorded - missing) < 0.08


def test_the_effect_of_temperature_is_learnt_and_taken_off() -> None:
    """Cold readings of the winter before the as-of date are no sign of age; missing ones count as at the mean."""
    rng = np.random.default_rng(31)
    fleet = simulate(Truth(), 60, rng)
    warm = 20.0 + 8.0 * rng.standard_normal(len(fleet.readings))
    shown = fleet.readings.assign(
        temperature_c=np.where(rng.random(warm.size) < 0.9, warm, np.nan),
        log_ratio=fleet.readings["log_ratio"] + 0.004 * (warm - 20.0),
    )
    model = AgeingModel(sessions=False).fit(shown, fleet.lives, fleet.cylinders)
    told = model.fixed_effects_.set_index("effect")
    (name,) = [effect for effect in told.index if "temperature" in effect]
    assert told.loc[name, "estimate"] == pytest.approx(0.004, abs=4 * told.loc[name, "std_error"])
    assert told.loc[name, "std_error"] < 0.0005


def test_a_temperature_that_rises_with_age_or_hardly_recorded_is_left_out_and_said_so(fleet: Fleet) -> None:
    few = fleet.readings[fleet.readings["life_id"].isin(fleet.lives["life_id"].iloc[:12])]
    lives = fleet.lives.iloc[:12]
    rising = few.assign(temperature_c=15.0 + 3.0 * few["age_years"], humidity_pct=np.where(np.arange(len(few)) < 9, 40.0, np.nan))
    model = AgeingModel(sessions=False).fit(rising, lives, fleet.cylinders)
    assert not model.fixed_effects_["effect"].str.contains("temperature|humidity").any()
    notes = " ".join(model.notes_)
    assert "the effect of temperature cannot be told from that of age" in notes and "humidity is recorded for" in notes


def test_model_is_an_estimator_that_can_be_cloned() -> None:
    other = clone(AgeingModel(curves="exponential", sessions=False))
    assert other.get_params()["curves"] == "exponential"


def test_update_is_the_full_history_at_the_same_variances(fleet: Fleet) -> None:
    readings = fleet.readings
    early = readings["time"] < readings["time"].quantile(0.7)
    fitted = AgeingModel(curves="exponential", sessions=False).fit(readings[early], fleet.lives, fleet.cylinders)
    in_one = fitted.update(readings[~early])
    late = readings[~early].sort_values("time")
    half = len(late) // 2
    in_two = fitted.update(late.iloc[:half]).update(late.iloc[half:])
    ids, age = list(last_age(fleet).index), last_age(fleet).to_numpy() + 1.0
    one, two = in_one.predict(ids, age), in_two.predict(ids, age)
    np.testing.assert_allclose(one["mean"], two["mean"], atol=1e-8)
    np.testing.assert_allclose(one["sd_latent"], two["sd_latent"], atol=1e-8)
    assert np.abs(one["mean"] - fitted.predict(ids, age)["mean"]).max() > 0.01


def test_sensor_without_readings_gets_its_lots_forecast(fleet: Fleet) -> None:
    extra = fleet.lives.iloc[:2].assign(life_id=["new", "newer"], lot=["L0", "L1"])
    lives = pd.concat([fleet.lives, extra], ignore_index=True)
    model = AgeingModel(curves="exponential", sessions=False, parameter_uncertainty=False)
    model.fit(fleet.readings, lives, fleet.cylinders)
    table = model.predict(["new", "newer"], 2.0)
    lots = model.lot_effects_.set_index("lot")
    expected = lots["level"] + 2.0 * lots["slope"]
    gap = table["mean"].iloc[0] - table["mean"].iloc[1]
    assert gap == pytest.approx(expected["L0"] - expected["L1"], abs=1e-6)
    assert (table["sd_latent"] > 0.08).all()


def test_shared_draws_spread_as_the_posterior(fleet: Fleet, model: AgeingModel) -> None:
    age = last_age(fleet)
    (block,) = model.path_posterior(list(age.index), age.to_numpy())
    (draws,) = model.shared_draws(list(age.index), age.to_numpy(), 400, np.random.default_rng(5))
    mean = np.stack([draw.level[0] for draw in draws])
    total = mean.var(axis=0) + draws[0].covariance[0, :, 0, 0]
    np.testing.assert_allclose(mean.mean(axis=0), block.moments(age.to_numpy())[0], atol=0.004)
    assert np.median(total / block.moments(age.to_numpy())[1]) == pytest.approx(1.0, abs=0.1)


def test_readings_of_unknown_lives_are_named(fleet: Fleet) -> None:
    with pytest.raises(FitError, match="S00007"):
        AgeingModel().fit(fleet.readings, fleet.lives[fleet.lives["life_id"] != "S00007"])


def test_missing_column_is_named(fleet: Fleet) -> None:
    with pytest.raises(FitError, match="log_ratio"):
        AgeingModel().fit(fleet.readings.drop(columns="log_ratio"), fleet.lives)
