"""Sudden ends: recovered from truncated and censored lives, sensible with few deaths or none."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from sklearn.base import clone

from sensorhealth.errors import FitError
from sensorhealth.life import SuddenLife
from sensorhealth.life.lifedata import life_data

AS_OF = pd.Timestamp("2026-01-01")


def fleet_lives(
    n: int,
    seed: int,
    technology: str = "electrochemical",
    gases: tuple[str, ...] = ("CO",),
    scale: float = 30.0,
    shape: float = 1.0,
) -> pd.DataFrame:
    """Weibull lives, tested twice a year, under observation from 2022; only those that were alive then."""
    rng = np.random.default_rng(seed)
    installed = pd.Series(pd.Timestamp("2020-06-01") + pd.to_timedelta(rng.uniform(0, 1900, n), unit="D"))
    life_days = np.minimum(scale * 365.25 * rng.weibull(shape, n), 40_000.0)
    ended = installed + pd.to_timedelta(life_days, unit="D")
    tested = installed + pd.to_timedelta(np.floor(life_days / 180.0) * 180.0, unit="D")
    dead = ended <= AS_OF
    gas = rng.choice(gases, n)
    lives = pd.DataFrame(
        {
            "life_id": [f"s{i}" for i in range(n)],
            "sensor_id": [f"s{i}" for i in range(n)],
            "technology": technology,
            "gas": gas,
            "stratum": [f"{technology} {one}" for one in gas],
            "installed": installed,
            "entered": installed.clip(lower=pd.Timestamp("2022-01-01")),
            "last_test": tested.clip(upper=AS_OF),
            "last_alive": tested.clip(upper=AS_OF),
            "ended": ended.where(dead),
            "end_kind": np.where(dead, "sudden", ""),
            "current": ~dead,
        }
    )
    return lives[lives["ended"].isna() | (lives["ended"] > lives["entered"])].reset_index(drop=True)


def test_a_worn_out_charge_is_forecast_from_ages_at_death() -> None:
    lives = fleet_lives(900, 1, "galvanic oxygen", ("O2",), scale=2.6, shape=6.0)
    sudden = SuddenLife().fit(lives, AS_OF)
    best = sudden.summary_[(sudden.summary_["group"] == "galvanic oxygen") & (sudden.summary_["family"] == "weibull")]
    assert sudden.families_["galvanic oxygen"] == "weibull"
    truth = {"scale": 2.6, "shape": 6.0}
    for _, row in best.iterrows():
        assert abs(row["estimate"] - truth[row["parameter"]]) < 3.5 * row["std_error"]
    running = lives[lives["current"]].reset_index(drop=True)
    age = ((AS_OF - running["installed"]).dt.total_seconds() / 86400 / 365.25).to_numpy()
    true = -np.expm1((age / 2.6) ** 6 - ((age + 0.5) / 2.6) ** 6)
    got = sudden.conditional_cdf(running, AS_OF, [182.625])[:, 0]
    assert np.abs(got - true).max() < 0.06


def test_late_entry_is_not_mistaken_for_long_life() -> None:
    # sensors already old when records begin: those that died before are unseen
    lives = fleet_lives(1500, 2, "galvanic oxygen", ("O2",), scale=2.6, shape=6.0)
    naive = lives.assign(entered=lives["installed"])
    survival = {}
    for name, table in (("right", lives), ("naive", naive)):
        survival[name] = float(SuddenLife(families=("weibull",)).fit(table, AS_OF).survival("galvanic oxygen", 2.2 * 365.25))
    true = np.exp(-((2.2 / 2.6) ** 6))
    assert abs(survival["right"] - true) < 0.04
    assert survival["naive"] > survival["right"]


@pytest.mark.parametrize("deaths", [0, 1, 2])
def test_few_deaths_give_a_small_hazard_but_never_none(deaths: int) -> None:
    lives = fleet_lives(200, 3, scale=1e6)
    for row, years in zip(range(deaths), (1.0, 2.5)):
        died = lives.loc[row, "entered"] + pd.Timedelta(days=365.25 * years)
        lives.loc[row, ["ended", "last_alive", "last_test"]] = died
        lives.loc[row, ["end_kind", "current"]] = ["sudden", False]
    sudden = SuddenLife().fit(lives, AS_OF)
    exposure = life_data(lives, AS_OF).exposure
    within_a_year = sudden.conditional_cdf(lives[lives["current"]], AS_OF, [365.25]).mean()
    # the default is worth one death: 0.02 a year while there is little exposure, 1 / exposure when there is much
    expected = (deaths + 1.0) / (exposure + 50.0)
    assert 0.5 * expected < within_a_year < 2.0 * expected


def test_ends_that_come_with_age_are_learnt_against_the_default() -> None:
    # the default of a technology with a soft end is a constant hazard; deaths between two and three years say otherwise
    lives = fleet_lives(400, 21, scale=2.8, shape=7.0)
    sudden = SuddenLife().fit(lives, AS_OF)
    true = np.exp(-((np.array([1.5, 2.5, 3.0]) / 2.8) ** 7.0))
    assert sudden.survival("electrochemical", np.array([1.5, 2.5, 3.0]) * 365.25) == pytest.approx(true, abs=0.06)


def test_no_lives_of_a_technology_fall_back_on_all_and_no_records_on_the_default() -> None:
    sudden = SuddenLife().fit(fleet_lives(200, 4), AS_OF)
    other = fleet_lives(5, 5, technology="infrared")
    chance = sudden.conditional_cdf(other, AS_OF, [365.25])
    assert ((chance > 0.001) & (chance < 0.15)).all()


def test_the_default_of_galvanic_oxygen_is_its_usual_life() -> None:
    lives = fleet_lives(30, 6, "galvanic oxygen", ("O2",), scale=1e6)
    young = lives.assign(installed=AS_OF - pd.Timedelta(days=100), entered=AS_OF - pd.Timedelta(days=100), last_alive=AS_OF)
    sudden = SuddenLife().fit(young, AS_OF)
    assert sudden.conditional_cdf(young[:1], AS_OF, [180.0])[0, 0] < 0.1
    assert sudden.conditional_cdf(young[:1], AS_OF, [4 * 365.25])[0, 0] > 0.6


def test_worn_galvanic_cells_count_as_deaths_and_worn_others_do_not() -> None:
    lives = fleet_lives(3, 7).assign(end_kind="soft", ended=AS_OF, current=False)
    assert life_data(lives, AS_OF).deaths == 0
    assert life_data(lives.assign(technology="galvanic oxygen"), AS_OF).deaths == 3


def one_death(last_good: str, last_test: str, ended: str) -> pd.DataFrame:
    lives = fleet_lives(1, 8)
    lives["installed"] = lives["entered"] = pd.Timestamp("2024-01-01")
    lives["last_alive"], lives["last_test"], lives["ended"] = map(pd.Timestamp, (last_good, last_test, ended))
    return lives.assign(end_kind="sudden", current=False)


def test_a_death_lies_between_the_test_it_passed_and_the_one_it_failed() -> None:
    data = life_data(one_death("2024-12-31", "2025-06-01", "2025-07-01"), AS_OF)
    assert (data.lower[0] * 365.25, data.upper[0] * 365.25) == (pytest.approx(365.0), pytest.approx(517.0))


def test_without_a_failed_test_it_lies_before_the_removal() -> None:
    lives = one_death("2024-12-31", "2024-12-31", "2025-07-01")
    data = life_data(lives, AS_OF)
    assert (data.lower[0] * 365.25, data.upper[0] * 365.25) == (pytest.approx(365.0), pytest.approx(547.0))
    early = life_data(lives, pd.Timestamp("2025-03-01"))  # standing before the removal, it still runs
    assert early.deaths == 0
    assert early.lower[0] * 365.25 == pytest.approx(425.0)


def test_deaths_that_show_at_once_are_dated_at_the_removal_and_those_found_by_tests_are_not() -> None:
    days = pd.to_timedelta(np.linspace(5, 180, 12), unit="D")
    table = pd.concat([one_death("2024-12-31", "2024-12-31", "2025-07-01")] * 12, ignore_index=True)
    at_once = life_data(table.assign(ended=table["last_alive"] + days), AS_OF)
    assert (at_once.lower == at_once.upper).all()
    by_test = life_data(table, AS_OF)
    assert (by_test.lower < by_test.upper).all()


def test_strata_speak_for_themselves_when_they_have_deaths_and_lean_on_their_technology_when_not() -> None:
    bad = fleet_lives(300, 9, gases=("NH3",), scale=4.0)
    good = fleet_lives(300, 10, gases=("CO",), scale=60.0)
    few = fleet_lives(6, 11, gases=("NO2",), scale=1e6)
    sudden = SuddenLife().fit(pd.concat([bad, good, few], ignore_index=True), AS_OF)
    chance = {gas: float(-np.expm1(0) + 1 - sudden.survival(f"electrochemical {gas}", 365.25)) for gas in ("NH3", "CO", "NO2")}
    assert chance["NH3"] == pytest.approx(1 - np.exp(-1 / 4), abs=0.05)
    assert chance["CO"] < 0.04
    assert chance["CO"] < chance["NO2"] < chance["NH3"]


def test_draws_scatter_around_the_average() -> None:
    lives = fleet_lives(250, 12, scale=10.0)
    sudden = SuddenLife().fit(lives, AS_OF)
    running = lives[lives["current"]].head(20)
    draws = np.stack([d.conditional_cdf(running, AS_OF, [365.25]) for d in sudden.draws(300, np.random.default_rng(1))])
    average = sudden.conditional_cdf(running, AS_OF, [365.25])
    assert np.abs(draws.mean(axis=0) - average).max() < 4 * draws.std(axis=0).max() / np.sqrt(300) + 1e-3
    assert draws.std(axis=0).min() > 0.002


def test_more_sensors_than_table_ages_give_the_same_numbers() -> None:
    lives = fleet_lives(1200, 13, "galvanic oxygen", ("O2",), scale=2.6, shape=6.0)
    sudden = SuddenLife().fit(lives, AS_OF)
    running = lives[lives["current"]].reset_index(drop=True)
    assert len(running) > 400
    table = sudden.conditional_cdf(running, AS_OF, [30.0, 365.0])
    exact = np.concatenate([sudden.conditional_cdf(running.iloc[[i]], AS_OF, [30.0, 365.0]) for i in range(0, 400, 7)])
    assert table[:400:7] == pytest.approx(exact, abs=1e-4)


def test_the_coverage_of_its_survival_curve(study_size: Any) -> None:
    """Over simulated fleets the 90 % band of two-year survival holds the truth about as often as it says."""
    fleets, inside = study_size(40), 0
    for seed in range(fleets):
        sudden = SuddenLife(families=("weibull",)).fit(fleet_lives(250, 100 + seed, scale=12.0, shape=1.4), AS_OF)
        ((family, theta, weight),) = sudden.groups_["electrochemical"].draws
        survival = family.sf(2.0, theta)
        order = np.argsort(survival)
        low, high = np.interp([0.05, 0.95], np.cumsum(weight[order]) / weight.sum(), survival[order])
        inside += low <= np.exp(-((2.0 / 12.0) ** 1.4)) <= high
    assert inside / fleets > 0.9 - 3.5 * np.sqrt(0.09 / fleets)


def test_it_is_an_estimator_like_the_others() -> None:
    estimator = SuddenLife(prior_deaths=2.0)
    assert clone(estimator).get_params() == estimator.get_params()
    with pytest.raises(FitError, match="choose from"):
        SuddenLife(families=("gompertz",)).fit(fleet_lives(10, 1), AS_OF)


def test_the_same_records_give_the_same_fit() -> None:
    lives = fleet_lives(100, 14)
    one, two = (SuddenLife().fit(lives, AS_OF).conditional_cdf(lives, AS_OF, [100.0]) for _ in range(2))
    assert np.array_equal(one, two)
