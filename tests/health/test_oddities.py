"""Bad readings, steps and swaps of known truth: found, told apart, and none where there are none."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sensorhealth import health

from .paths import Paths, paths


def scored(found: set, true: set) -> tuple[float, float]:
    """Precision and recall."""
    return len(found & true) / max(len(found), 1), len(found & true) / max(len(true), 1)


def test_single_bad_readings_are_found_kept_out_of_the_fit_and_named_in_the_findings() -> None:
    fleet = paths(np.random.default_rng(1), 120, singles=0.02)
    odd = health.find_oddities(fleet.readings, fleet.lives)
    true = set(fleet.truth["row"])
    precision, recall = scored(set(odd.single_readings["row"]), true)
    assert precision >= 0.9 and recall >= 0.9
    recovered = odd.single_readings[odd.single_readings["recovered"].eq(True).fillna(False)]
    assert set(fleet.readings["row"]) - set(odd.kept(fleet.readings)["row"]) == set(recovered["row"])
    assert set(odd.findings.loc[odd.findings["finding"] == "single bad reading", "row"]) == set(odd.single_readings["row"])


def test_steps_of_fifteen_per_cent_are_found_with_date_and_size() -> None:
    fleet = paths(np.random.default_rng(2), 120, steps=0.3, noise=0.02)
    steps = health.find_oddities(fleet.readings, fleet.lives).steps
    assert (steps["kind"] == "down").all()
    true = fleet.truth.set_index("sensor_id")["row"]
    precision, recall = scored(set(steps["sensor_id"]), set(true.index))
    assert precision >= 0.9 and recall >= 0.9
    told = steps[steps["sensor_id"].isin(true.index)].set_index("sensor_id")
    when = fleet.readings.set_index("row").loc[true.reindex(told.index), "time"].to_numpy()
    inside = (told["earliest"].to_numpy() <= when) & (when <= told["latest"].to_numpy())
    assert inside.mean() >= 0.85
    assert abs(told["size"].median() - np.log(0.85)) < 0.03


def test_what_others_of_its_kind_taught_finds_the_faults_of_a_fleet() -> None:
    """One half of a fleet teaches, the other is searched; where all taught it is the same search again."""
    fleet = paths(np.random.default_rng(2), 240, steps=0.3, noise=0.02)
    whole = health.find_oddities(fleet.readings, fleet.lives)
    again = health.find_oddities(fleet.readings, fleet.lives, priors=whole.priors)
    pd.testing.assert_frame_equal(again.steps, whole.steps)
    half = fleet.lives["sensor_id"].isin(sorted(fleet.lives["sensor_id"])[::2])
    parts = []
    for own in (half, ~half):
        lives = fleet.lives[own].reset_index(drop=True)
        parts.append((fleet.readings[fleet.readings["life_id"].isin(lives["life_id"])].reset_index(drop=True), lives))
    taught = health.find_oddities(*parts[0]).priors
    found = health.find_oddities(*parts[1], priors=taught)
    assert found.priors == taught
    true = set(fleet.truth["sensor_id"]) & set(parts[1][1]["sensor_id"])
    precision, recall = scored(set(found.steps["sensor_id"]), true)
    assert precision >= 0.9 and recall >= 0.9


def test_unrecorded_swaps_start_a_new_life() -> None:
    fleet = paths(np.random.default_rng(3), 120, swaps=0.25)
    odd = health.find_oddities(fleet.readings, fleet.lives)
    true = set(zip(fleet.truth["sensor_id"], fleet.truth["row"]))
    precision, recall = scored(set(zip(odd.swaps["sensor_id"], odd.swaps["first_row"])), true)
    assert precision >= 0.9 and recall >= 0.9
    assert (odd.findings.loc[odd.findings["finding"] == "unrecorded swap", "done"] == "corrected").all()
    assert (odd.swaps["time"] == odd.swaps["time_after"]).all()


def test_a_fleet_without_faults_yields_next_to_no_flags() -> None:
    flags = 0
    for seed in range(6):
        fleet = paths(np.random.default_rng(100 + seed), 80)
        odd = health.find_oddities(fleet.readings, fleet.lives)
        flags += len(odd.steps) + len(odd.single_readings)
    assert flags <= 3


def shifted(rows: slice, size: float, sensor: str = "s003") -> Paths:
    """A quiet fleet with some readings of one sensor moved; `rows` counts within it."""
    fleet = paths(np.random.default_rng(6), 60)
    own = fleet.readings.index[fleet.readings["sensor_id"] == sensor][rows]
    value = fleet.readings["log_ratio"].where(~fleet.readings.index.isin(own), fleet.readings["log_ratio"] + size)
    return Paths(fleet.readings.assign(log_ratio=value), fleet.lives, fleet.truth)


def test_while_only_one_low_reading_exists_it_says_repeat_and_not_replace() -> None:
    fleet = shifted(slice(-1, None), -0.5)
    odd = health.find_oddities(fleet.readings, fleet.lives)
    assert odd.steps.empty
    last = odd.single_readings.set_index("sensor_id").loc["s003"]
    assert last["recovered"] is None
    assert "repeat the calibration" in last["advice"] and not last["advice"].startswith("replace")
    assert last["row"] in set(odd.kept(fleet.readings)["row"])


def test_two_low_visits_in_a_row_are_a_step() -> None:
    fleet = shifted(slice(-3, None), -0.4)
    odd = health.find_oddities(fleet.readings, fleet.lives)
    assert odd.steps.set_index("sensor_id")["kind"].to_dict() == {"s003": "down"}
    assert odd.single_readings.empty


def test_a_change_of_cylinder_that_the_fit_explains_is_no_step() -> None:
    fleet = shifted(slice(-5, None), -0.3)
    residuals = pd.DataFrame({"gas_effect": 0.0, "session_effect": 0.0, "fitted": 0.0}, index=fleet.readings.index)
    own = fleet.readings.index[fleet.readings["sensor_id"] == "s003"][-5:]
    assert len(health.find_oddities(fleet.readings, fleet.lives, residuals).steps) == 1
    residuals.loc[own, "gas_effect"] = -0.3
    assert health.find_oddities(fleet.readings, fleet.lives, residuals).steps.empty


def test_readings_after_a_zero_in_contaminated_air_are_named_so() -> None:
    fleet = shifted(slice(4, 5), -0.35)
    row = fleet.readings[fleet.readings["sensor_id"] == "s003"]["row"].iloc[4]
    zeros = pd.DataFrame(
        {"row": [row - 1], "sensor_id": "s003", "kind": "contaminated air", "size": 18.0, "unit": "ppm", "probability": 1.0,
         "next_row": row, "ratio_shift": -0.35, "time": fleet.readings["time"].iloc[0], "reason": "zero set in air"}
    )  # fmt: skip
    odd = health.find_oddities(fleet.readings, fleet.lives, zeros=zeros)
    assert odd.single_readings.set_index("row").loc[row, "likely"] == "the zero before it was set in contaminated air"
    assert "zero again" in odd.single_readings["advice"].iloc[0]
    assert "zero in contaminated air" in set(odd.findings["finding"])


def test_nothing_to_look_at_gives_empty_tables() -> None:
    fleet = paths(np.random.default_rng(0), 5)
    odd = health.find_oddities(fleet.readings.iloc[:0], fleet.lives)
    assert odd.steps.empty and odd.swaps.empty and odd.single_readings.empty and odd.findings.empty


def test_a_reading_without_a_cylinder_takes_the_gas_that_its_neighbours_met() -> None:
    """Weak gas at one site: the reading without a cylinder is as low as the others of its day, and is no bad reading."""
    fleet = paths(np.random.default_rng(9), 60)
    table = fleet.readings.assign(cylinder="C1")
    mine = table.index[table["sensor_id"] == "s003"]
    weak, blank = mine[4:8], mine[6]
    table.loc[weak, "log_ratio"] -= 0.3
    table.loc[weak, "cylinder"] = "C2"
    effect = pd.Series(0.0, index=table.index)
    effect[weak.drop(blank)] = -0.3
    residuals = pd.DataFrame({"gas_effect": effect, "session_effect": 0.0, "fitted": 0.0})
    table.loc[blank, "cylinder"] = ""
    odd = health.find_oddities(table, fleet.lives, residuals)
    assert odd.single_readings.empty and odd.steps.empty


def test_a_reading_whose_gas_nobody_knows_is_in_doubt_by_the_spread_between_cylinders() -> None:
    rng = np.random.default_rng(10)
    fleet = paths(rng, 60)
    table = fleet.readings.assign(cylinder=[f"C{k}" for k in range(len(fleet.readings))], site=fleet.readings["sensor_id"])
    blank = table.index[table["sensor_id"] == "s003"][5]
    gas = pd.Series(0.12 * rng.standard_normal(len(table)), index=table.index)
    table["log_ratio"] += gas
    table.loc[blank, "log_ratio"] -= gas[blank] + 0.16
    residuals = pd.DataFrame({"gas_effect": gas.where(table.index != blank, 0.0), "session_effect": 0.0, "fitted": 0.0})
    named = health.find_oddities(table, fleet.lives, residuals)
    assert named.single_readings["row"].tolist() == [table.loc[blank, "row"]]
    table.loc[blank, "cylinder"] = ""
    assert health.find_oddities(table, fleet.lives, residuals).single_readings.empty
