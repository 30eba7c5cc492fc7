"""The doors of the room on whole synthetic fleets: what is really worse is called worse, the rest is not."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth import compare
from sensorhealth.degradation import AgeingModel
from sensorhealth.errors import FitError
from sensorhealth.health import lives as lives_of
from sensorhealth.health import readings as readings_of
from sensorhealth.nomenclature import columns
from sensorhealth.records import Fleet
from sensorhealth.synthetic import BadLot, Scenario, SyntheticFleet, simulate

Fitted = tuple[SyntheticFleet, pd.DataFrame, pd.DataFrame, AgeingModel]


def fit(scenario: Scenario, sensors: int, seed: int) -> Fitted:
    """A simulated fleet taken through records and health, and its ageing model."""
    made = simulate(sensors, seed=seed, scenario=scenario)
    fleet = Fleet.from_tables(made.sensors, made.calibrations, made.cylinders)
    lives = lives_of(fleet)
    readings = readings_of(fleet, lives)
    model = AgeingModel(curves="exponential", brownian=False, parameter_uncertainty=False)
    return made, readings, lives, model.fit(readings, lives, fleet.cylinders)


@pytest.fixture(scope="module")
def one_bad_lot() -> Fitted:
    """120 hydrogen-sulphide cells in lots of a year; the fourth ages 1.8 times as fast and starts 10 % lower."""
    scenario = Scenario.clean(
        bias_factor=1.0, session_sd=0.006, lot_days=365, curve="exponential",
        bad_lots=(BadLot("H2S cell", 3, 1.8, float(np.log(0.9))),),
    ).only("H2S cell")  # fmt: skip
    return fit(scenario, 120, 3)


@pytest.fixture(scope="module")
def table(one_bad_lot: Fitted) -> pd.DataFrame:
    made, readings, lives, model = one_bad_lot
    forecast = pd.DataFrame({"sensor_id": made.sensors["sensor_id"], "p_end_before_warranty_end": 0.25})
    return compare.lots(readings, lives, model, sensors=made.sensors, forecast=forecast).set_index("lot")


def test_the_bad_lot_is_called_worse_and_no_other(table: pd.DataFrame) -> None:
    assert set(table.index[table["verdict"] == "worse"]) == {"H2S-D"}
    assert not (table["verdict"] == "better").any()
    bad = table.loc["H2S-D"]
    assert bad["ratio_low"] < 1.8 < bad["ratio_high"]
    assert bad["q_value"] < 0.001
    assert table.index[0] == "H2S-D"  # the most certain difference comes first


def test_lots_that_are_alike_are_shown_to_be_so_where_readings_allow(table: pd.DataFrame) -> None:
    assert (table["verdict"] == "same within the margin").sum() >= 2
    alike = table[table["verdict"] == "same within the margin"]
    assert ((alike["ratio_low"] > 0.8) & (alike["ratio_high"] < 1.2)).all()  # 90 % interval inside: the two tests at 5 %


def test_every_column_of_the_table_stands_in_the_dictionary_and_every_lot_has_a_row(
    one_bad_lot: Fitted, table: pd.DataFrame
) -> None:
    assert [table.index.name, *table.columns] == list(columns("lots"))
    assert set(table.index) == set(one_bad_lot[2]["lot"]) - {""}
    assert set(table["verdict"]) <= set(columns("lots")["verdict"].choices)


def test_shrunken_rates_lie_between_the_raw_and_the_common_rate(table: pd.DataFrame) -> None:
    raw, small = table["ageing_raw_per_year"], table["ageing_per_year"]
    middle = np.average(raw, weights=table["sensors"])
    assert (np.abs(small - middle) <= np.abs(raw - middle) + 0.02).all()
    assert small.std() < raw.std()


def test_a_worse_lot_lives_shorter_costs_more_and_starts_lower(one_bad_lot: Fitted, table: pd.DataFrame) -> None:
    truth = one_bad_lot[0].truth["truth_sensors"].merge(one_bad_lot[0].sensors[["sensor_id", "lot"]], on="sensor_id")
    years = (truth["soft_end"] - truth["installed"]).dt.days / 365.25
    bad = table.loc["H2S-D"]
    assert bad["life_low"] < years[truth["lot"] == "H2S-D"].mean() < bad["life_high"]
    assert bad["life_high"] < bad["rest_life_years"]
    price = one_bad_lot[0].sensors["unit_cost"].iloc[0] + 60
    expected = bad["sensors_in_service"] * price * 3 * (1 / bad["life_years"] - 1 / bad["rest_life_years"])
    assert bad["extra_cost"] == pytest.approx(expected)
    assert (table["extra_cost"] * (table["rest_life_years"] - table["life_years"]) >= 0).all()
    assert (table["extra_cost"].abs() > 0).any()
    assert bad["start_to_rest"] < 1


def test_expected_claims_are_the_sum_of_the_forecasts(table: pd.DataFrame) -> None:
    assert (table["expected_claims"].fillna(0) == 0.25 * table["sensors_in_service"]).all()


def test_sites_without_a_difference_are_not_called_worse(one_bad_lot: Fitted) -> None:
    _, readings, lives, model = one_bad_lot
    sites = compare.lots(readings, lives, model, by="site")
    assert len(sites) == 4
    assert not sites["verdict"].isin(["worse", "better"]).any()


def test_a_lot_on_a_site_of_its_own_is_said_not_to_be_told_apart(one_bad_lot: Fitted) -> None:
    _, readings, lives, model = one_bad_lot
    moved = lives.assign(site=np.where(lives["lot"] == "H2S-D", "Far Field", lives["site"]))
    row = compare.lots(readings, moved, model).set_index("lot").loc["H2S-D"]
    assert row["verdict"] == "cannot tell"
    assert "Far Field" in row["note"] and "cannot be told apart" in row["note"]
    free = compare.lots(readings, moved, model, adjust=()).set_index("lot").loc["H2S-D"]
    assert free["verdict"] == "worse"


def test_a_column_that_lives_do_not_have_is_one_clear_error(one_bad_lot: Fitted) -> None:
    _, readings, lives, model = one_bad_lot
    with pytest.raises(FitError, match=r"no column 'colour'.*lot"):
        compare.lots(readings, lives, model, by="colour")


def test_pairs_with_the_bad_lot_differ_and_others_do_not(one_bad_lot: Fitted) -> None:
    _, readings, lives, model = one_bad_lot
    pairs = compare.pairwise(readings, lives, model)
    with_bad = (pairs["lot"] == "H2S-D") | (pairs["other"] == "H2S-D")
    assert (pairs.loc[with_bad, "p_family"] < 0.05).all()
    assert (pairs.loc[~with_bad, "p_family"] > 0.05).all()
    assert (pairs["p_family"] >= pairs["p_value"] - 0.01).all()


def test_the_bad_lot_ranks_first_and_the_others_ranks_are_vague(one_bad_lot: Fitted) -> None:
    _, readings, lives, model = one_bad_lot
    ranks = compare.ranking(readings, lives, model).set_index("lot")
    assert ranks.loc["H2S-D", "rank"] == 1
    assert ranks.loc["H2S-D", "p_fastest"] > 0.99
    others = ranks.drop("H2S-D")
    assert (others["rank_high"] - others["rank_low"] >= 3).all()
    assert ranks["p_fastest"].sum() == pytest.approx(1.0)
    assert ranks["rank_mean"].sum() == pytest.approx(len(ranks) * (len(ranks) + 1) / 2)


def test_the_watch_raises_the_alarm_on_the_bad_lot_long_before_the_end(one_bad_lot: Fitted) -> None:
    made, readings, lives, model = one_bad_lot
    watched = compare.watch(readings, lives, model, every_days=60)
    alarms = compare.first_alarms(watched)
    assert list(alarms["lot"]) == ["H2S-D"]
    arrived = made.sensors.loc[made.sensors["lot"] == "H2S-D", "installed"].min()
    assert pd.Timedelta(0) < alarms["date"].iloc[0] - arrived < pd.Timedelta(days=365)
    assert (watched.groupby("lot")["p_value"].diff().dropna() <= 1e-12).all()  # evidence once shown is not unshown


def test_a_lot_that_dies_suddenly_is_worse_where_headroom_says_nothing() -> None:
    """Galvanic oxygen: no slope leads to the end; the lot's deaths do."""
    scenario = Scenario.clean(sudden_deaths=True, lot_days=700).only("O2 lead cell")
    _, readings, lives, model = fit(scenario, 160, 5)
    own = lives["lot"] == "O2-C"
    middle = lives["installed"] + (lives["last_test"] - lives["installed"]) / 2
    lives = lives.assign(
        end_kind=lives["end_kind"].where(~own, "sudden"),
        ended=lives["ended"].where(~own, middle),
        last_alive=lives["last_alive"].where(~own, middle),
    )
    rows = compare.lots(readings, lives, model).set_index("lot")
    assert rows.loc["O2-C", "sudden_to_rest"] > 2
    assert rows.loc["O2-C", "verdict"] == "worse"
    assert rows.loc["O2-C", "life_years"] < rows.loc["O2-C", "rest_life_years"]


def test_all_comparisons_come_together_with_the_watch_when_it_is_asked_for(one_bad_lot: Fitted) -> None:
    _, readings, lives, model = one_bad_lot
    found = compare.further_tables(readings, lives, model, watch_days=180)
    assert set(found) == {"lot_pairs", "lot_ranks", "study_plan", "lot_watch", "lot_alarms"}
    assert "H2S-D" in set(found["lot_alarms"]["lot"])
    assert found["lot_ranks"].set_index("lot").loc["H2S-D", "rank"] == 1
