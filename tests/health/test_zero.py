"""Zero offsets of known truth: drift, contaminated air, jumps, temperature, and the end of life they bring."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth import health

from .fleets import Tables, tables

VISITS = 24
DIRTY, JUMPS, DRIFTS = ("s03", 10), ("s05", 12), "s07"


def zeros_fleet(seed: int = 0, *, per_kelvin: float = 0.0, step: float = 0.01, faults: bool = True) -> Tables:
    """Twenty sensors, monthly zeros and then gas; s03 zeroed once in contaminated air, s05's baseline jumps, s07 drifts."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(20):
        name = f"s{i:02d}"
        when = pd.date_range("2022-02-01", periods=VISITS, freq="30D")
        warm = 20 + 6 * rng.standard_normal(VISITS)
        baseline = 0.1 * rng.standard_normal(VISITS) + per_kelvin * warm
        if faults and name == DRIFTS:
            baseline += 3.0 * np.arange(VISITS) * 30 / 365.25
        if faults and name == JUMPS[0]:
            baseline[JUMPS[1] :] += 4.0
        air = np.where((np.arange(VISITS) == DIRTY[1]) & (name == DIRTY[0]) & faults, 6.0, 0.0)
        left = np.concatenate([[0.0], (baseline + air)[:-1]])
        offset = np.round((baseline + air - left) / step) * step
        for j in range(VISITS):
            found = 100.0 - air[j] + 0.5 * rng.standard_normal()
            rows.append({"sensor_id": name, "time": when[j], "kind": "full", "zero_offset": offset[j], "as_found": found,
                         "headroom": 180.0 - 1.8 * air[j], "temperature_c": warm[j]})  # fmt: skip
    return tables([{"sensor_id": f"s{i:02d}"} for i in range(20)], rows)


def test_a_zero_in_contaminated_air_is_told_from_a_jump_of_the_baseline_and_nothing_else_is_flagged() -> None:
    fleet = zeros_fleet()
    events = health.zero_events(fleet, health.lives(fleet)).set_index("sensor_id")
    assert events["kind"].to_dict() == {"s03": "contaminated air", "s05": "baseline jump"}
    assert events.loc["s03", "size"] == pytest.approx(6.0, abs=0.5)
    assert events.loc["s05", "size"] == pytest.approx(4.0, abs=0.5)
    when = fleet.calibrations[fleet.calibrations["sensor_id"] == "s03"]["time"].iloc[DIRTY[1]]
    assert events.loc["s03", "time"] == when


def test_what_a_contaminated_zero_does_to_the_next_reading_is_said_and_recognised() -> None:
    fleet = zeros_fleet()
    dirty = health.zero_events(fleet, health.lives(fleet)).set_index("sensor_id").loc["s03"]
    assert dirty["as_found_shift"] == pytest.approx(-6.0, abs=0.5)
    assert dirty["ratio_shift"] == pytest.approx(np.log(0.94), abs=0.01)
    assert dirty["as_found_explained"] is True
    assert "zero again in clean air" in dirty["reason"]


def test_an_as_found_in_order_is_not_laid_at_the_zeros_door() -> None:
    fleet = zeros_fleet()
    cleared = fleet.calibrations.assign(as_found=100.0)
    fleet = Tables(fleet.sensors, cleared, fleet.cylinders)
    assert health.zero_events(fleet, health.lives(fleet)).set_index("sensor_id").loc["s03", "as_found_explained"] is False


def test_the_sensor_that_drifts_is_found_with_its_rate_and_the_date_of_its_end() -> None:
    fleet = zeros_fleet()
    drift = health.zero_drift(fleet, health.lives(fleet), zero_limit={"CO": 15.0}).set_index("sensor_id")
    assert drift.index[drift["drifting"]].tolist() == [DRIFTS]
    row = drift.loc[DRIFTS]
    assert row["drift_low"] <= 3.0 <= row["drift_high"] and row["drift_low"] > 2.0
    expected = pd.Timestamp("2022-02-01") + pd.Timedelta(days=15.0 / 3.0 * 365.25)
    assert abs((row["end_p50"] - expected).days) < 250
    assert row["end_p05"] <= row["end_p50"]
    assert drift.drop(index=DRIFTS)["end_p50"].isna().all()


@pytest.mark.parametrize("step", [0.01, 0.1, 0.5, 1.0])
def test_a_display_of_any_step_gives_no_false_flags(step: float) -> None:
    fleet = zeros_fleet(seed=1, step=step, faults=False)
    lives = health.lives(fleet)
    assert health.zero_events(fleet, lives).empty
    assert not health.zero_drift(fleet, lives)["drifting"].any()


def test_one_stray_value_does_not_hide_the_step_of_the_display() -> None:
    fleet = zeros_fleet(seed=2, step=0.5)
    stray = fleet.calibrations["zero_offset"].where(fleet.calibrations.index != 5, 0.0001)
    fleet = Tables(fleet.sensors, fleet.calibrations.assign(zero_offset=stray), fleet.cylinders)
    events = health.zero_events(fleet, health.lives(fleet))
    assert list(zip(events["sensor_id"], events["kind"])) == [("s03", "contaminated air"), ("s05", "baseline jump")]


def test_a_display_that_hardly_ever_moves_shows_a_jump_once() -> None:
    fleet = zeros_fleet(seed=2, step=1.0)
    events = health.zero_events(fleet, health.lives(fleet))
    assert list(zip(events["sensor_id"], events["kind"])) == [("s03", "contaminated air"), ("s05", "baseline jump")]


def test_the_effect_of_temperature_is_found_and_is_no_drift() -> None:
    fleet = zeros_fleet(seed=3, per_kelvin=0.2, faults=False)
    drift = health.zero_drift(fleet, health.lives(fleet))
    slope, sd = drift["temperature_per_kelvin"].iloc[0], drift["temperature_sd"].iloc[0]
    assert abs(slope - 0.2) < 4 * sd + 0.002 and sd < 0.02
    assert not drift["drifting"].any()


@pytest.mark.parametrize("limit", [0.15, {"CO": 15.0}, {"ppm": 15.0}, {"electrochemical CO": 0.15}])
def test_the_limit_of_the_zero_is_set_by_gas_unit_or_kind_and_a_drift_towards_it_is_a_finding(limit) -> None:
    fleet = zeros_fleet()
    lives = health.lives(fleet)
    drift = health.zero_drift(fleet, lives, zero_limit=limit)
    assert (drift["zero_limit"] == 15.0).all()
    told = health.trend_findings(drift, health.response_times(fleet, lives))
    assert told[["sensor_id", "finding"]].to_numpy().tolist() == [[DRIFTS, "zero drifts"]]
    assert "reaches the limit of 15" in told["reason"].item()


def test_every_life_has_a_row_and_says_when_it_cannot_tell() -> None:
    fleet = tables([{"sensor_id": "a"}, {"sensor_id": "b"}], [{"time": "2023-01-01", "zero_offset": 0.2}])
    drift = health.zero_drift(fleet, health.lives(fleet)).set_index("sensor_id")
    assert drift["status"].to_dict() == {"a": "too few zeros", "b": "no zero recorded"}
    assert "too few" in drift.loc["a", "reason"] and "cannot be known" in drift.loc["b", "reason"]


def test_baselines_known_from_before_are_used_and_split_lives_are_looked_at_anew() -> None:
    fleet = zeros_fleet()
    whole = health.lives(fleet)
    base = health.baselines(fleet, whole)
    assert health.baselines(fleet, whole, known=base) is base
    pd.testing.assert_frame_equal(health.zero_events(fleet, whole, known=base), health.zero_events(fleet, whole))
    split = health.lives(fleet, pd.DataFrame({"sensor_id": ["s09"], "time": [pd.Timestamp("2023-01-01")]}))
    again = health.baselines(fleet, split, known=base)
    assert again is not base and len(health.zero_drift(fleet, split, known=again)) == len(split)
    found = health.zero_events(fleet, split, known=again)
    assert found[["sensor_id", "kind"]].equals(health.zero_events(fleet, split)[["sensor_id", "kind"]])
