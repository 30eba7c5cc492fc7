"""Which cylinders are held to be off, which are left alone, and when nothing can be told."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import roc_auc_score

from sensorhealth import health
from sensorhealth.nomenclature import columns

from .gas import gas_fleet


def judge(gas, **changes):
    return health.judge_cylinders(gas.effects.assign(**changes), gas.cylinders, gas.readings, residuals=gas.residuals)


def fleet(bias: dict[int, float], seed: int = 0, **options):
    truth = 0.01 * np.random.default_rng(seed + 100).standard_normal(32)
    for place, value in bias.items():
        truth[place] = value
    return gas_fleet(np.random.default_rng(seed), np.clip(truth, *(-0.02, 0.02)) if not bias else truth, **options)


def test_a_weak_cylinder_is_flagged_with_who_read_low_and_since_when() -> None:
    table = judge(fleet({5: np.log(0.88)}))
    assert list(table.columns) == list(columns("cylinder_effects"))
    first = table.iloc[0]
    assert (first["cylinder_id"], first["judgement"], first["direction"]) == ("C05", "weak", "weak")
    assert table["flagged"].sum() == 1
    assert first["low"] <= np.log(0.88) <= first["high"]
    assert "10 of 10 sensors read low on this cylinder since 20" in first["advice"]
    assert "check the gas before ordering sensors" in first["advice"]
    assert first["p_out_of_tolerance"] > 0.99


def test_strong_gas_within_its_tolerance_is_left_alone_and_beyond_it_is_the_dangerous_way() -> None:
    table = judge(fleet({5: np.log(1.06), 20: np.log(1.2)}, tolerance=10.0)).set_index("cylinder_id")
    assert not table.loc["C05", "flagged"]
    assert table.loc["C20", "judgement"] == "strong"
    assert "UNDER-read" in table.loc["C20", "advice"]


def test_a_tolerance_of_ten_per_cent_does_not_hide_gas_that_is_nine_per_cent_weak() -> None:
    found = [judge(fleet({5: np.log(0.91)}, seed=seed, tolerance=10.0)).set_index("cylinder_id").loc["C05"] for seed in range(5)]
    flagged = [row for row in found if row["flagged"]]
    assert len(flagged) >= 3
    inside = [row for row in flagged if row["p_out_of_tolerance"] < 0.5]
    assert inside and all("within its stated tolerance of 10 %" in row["advice"] for row in inside)


def test_what_the_cylinders_of_a_site_share_for_years_is_not_the_gas() -> None:
    """Sensors of one site age otherwise than the model holds: no cylinder of it is flagged, and the intervals say so."""
    gas = fleet({})
    site, turn = np.divmod(np.arange(32), 8)
    shift = np.where(site == 1, 0.05 - 0.0125 * turn, 0.0)
    calm = judge(gas, bias=gas.effects["bias"] + shift)
    assert not calm["flagged"].any()
    inside = calm["low"].le(gas.bias.reindex(calm["cylinder_id"]).to_numpy()) & calm["high"].ge(
        gas.bias.reindex(calm["cylinder_id"]).to_numpy()
    )
    assert inside.mean() >= 0.75


def test_gas_at_the_ratio_of_two_stock_concentrations_was_set_or_labelled_wrong() -> None:
    table = judge(fleet({5: np.log(0.5)})).set_index("cylinder_id")
    assert table.loc["C05", "judgement"] == "wrong concentration"
    assert "concentration set" in table.loc["C05", "advice"]


def test_two_sensors_cannot_tell() -> None:
    gas = fleet({5: np.log(0.8)}, per_site=2)
    table = judge(gas).set_index("cylinder_id")
    assert not table["flagged"].any()
    assert set(table["judgement"]) == {"cannot tell"}
    assert "only" in table.loc["C05", "advice"] and "2 sensors" in table.loc["C05", "advice"]


def test_sensors_that_were_read_on_no_other_cylinder_cannot_tell() -> None:
    gas = fleet({5: np.log(0.8)})
    alone = gas.readings["cylinder"] == "C05"
    readings = gas.readings.assign(life_id=gas.readings["life_id"].where(~alone, gas.readings["life_id"] + "x"))
    table = health.judge_cylinders(gas.effects, gas.cylinders, readings).set_index("cylinder_id")
    assert table.loc["C05", "judgement"] == "cannot tell"
    assert "no other cylinder" in table.loc["C05", "advice"]


def test_no_information_beyond_the_fits_own_prior_flags_nothing() -> None:
    gas = fleet({5: np.log(0.8)})
    table = judge(gas, bias=0.0, bias_sd=gas.effects["prior_sd"])
    assert not table["flagged"].any()


def test_fade_counts_until_the_last_use() -> None:
    gas = fleet({})
    change = gas.effects["cylinder_id"] == "C05"
    table = judge(
        gas, fade_per_year=np.where(change, -0.4, 0.0), fade_sd=0.05, last_used_days=np.where(change, 180.0, 90.0)
    ).set_index("cylinder_id")
    assert table.loc["C05", "judgement"] == "weak" and "fading" in table.loc["C05", "advice"]
    assert table.loc["C05", "fade_per_day"] == pytest.approx(-0.4 / 365.25)


def test_use_after_the_date_of_expiry_is_said() -> None:
    gas = fleet({5: np.log(0.85)})
    cylinders = gas.cylinders.assign(expires=pd.Timestamp("2022-01-10"))
    table = health.judge_cylinders(gas.effects, cylinders, gas.readings)
    assert "date of expiry" in table["advice"].iloc[0]


def test_no_cylinders_give_an_empty_table_with_all_columns() -> None:
    gas = fleet({})
    table = health.judge_cylinders(gas.effects.iloc[:0], gas.cylinders, gas.readings)
    assert table.empty and list(table.columns) == list(columns("cylinder_effects"))


@pytest.mark.slow
@pytest.mark.parametrize(("ordinary", "tolerance"), [(0.01, 5.0), (0.01, 10.0), (0.02, 5.0)])
def test_weak_cylinders_are_told_from_good_ones_in_many_fleets(study_size, ordinary: float, tolerance: float) -> None:
    """AUC 0.98 or more for cylinders 5 % or more low with 8 readings or more, at most 5 % false alarms."""
    tables = []
    for seed in range(study_size(30)):
        rng = np.random.default_rng(seed)
        bias = np.clip(ordinary * rng.standard_normal(32), -2 * ordinary, 2 * ordinary)
        bias = np.where(rng.random(32) < 0.1, np.log(1 - rng.uniform(0.05, 0.2, 32)), bias)
        gas = gas_fleet(rng, bias, tolerance=tolerance)
        table = judge(gas)
        tables.append(table.assign(true=gas.bias.reindex(table["cylinder_id"]).to_numpy()))
    found = pd.concat(tables)
    found = found[found["readings"] >= 8]
    weak = found["true"] <= np.log(0.95) + 1e-9
    assert roc_auc_score(weak, found["p_weak"]) >= 0.98
    assert roc_auc_score(weak, found["p_off"]) >= 0.98
    flagged = found["flagged"].astype(bool)
    assert flagged[weak].mean() >= 0.75
    assert flagged[~weak].mean() <= 0.05
