"""Sensor, gas or handling: the verdict on a last reading whose cause is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth import health
from sensorhealth.degradation import AgeingModel
from sensorhealth.outlook import FIRST_LOOK

from .fleets import Tables, tables

VISITS = 16


def fleet_of(event: str) -> Tables:
    """Twenty-four sensors at two sites, six cylinders a site; what happens at the last visits is named by `event`."""
    rng = np.random.default_rng(11)
    sensors, rows = [{"sensor_id": "silent", "site": "south"}], []
    for i in range(24):
        name, site = f"s{i:02d}", ("north", "south")[i % 2]
        sensors.append({"sensor_id": name, "site": site, "instrument_id": f"i{i // 2 * 2 % 12}{site}"})
        level, slope = 0.75 + 0.06 * rng.standard_normal(), 0.15 + 0.03 * rng.standard_normal()
        for j in range(VISITS):
            when = pd.Timestamp("2022-02-01") + pd.Timedelta(days=42 * j + i % 2)
            ratio = level - slope * 42 * j / 365.25 + 0.012 * rng.standard_normal()
            offset, last = 0.1 * rng.standard_normal(), j == VISITS - 1
            low = {
                "weak gas": -0.15 * (site == "north" and j >= 14),
                "leak": -0.35 * (name == "s02" and last),
                "step": -0.55 * (name == "s02" and j >= 12),
                "instrument": -0.35 * (sensors[-1]["instrument_id"] == "i2north" and last),
                "end by a step": -0.75 * (name == "s02" and last),
                "dirty zero": np.log(0.85) * (name == "s02" and last),
                "nothing": 0.0,
            }[event]
            if event == "dirty zero" and name == "s02" and last:
                offset += 15.0
            value = 100.0 * np.exp(ratio + low)
            rows.append(
                {"sensor_id": name, "time": when, "cylinder_id": f"{site}{j // 2}", "headroom": value, "zero_offset": offset,
                 "as_found": 100.0 - 15.0 * (offset > 10), "outcome": "pass" if value > 100 else "fail"}
            )  # fmt: skip
    return tables(sensors, rows, [{"cylinder_id": c} for c in sorted({row["cylinder_id"] for row in rows})])


def verdict_on(event: str, sensor: str = "s02", removed: str | None = None, **trends: pd.DataFrame) -> health.Verdict:
    fleet = fleet_of(event)
    if removed is not None:
        mine = fleet.sensors["sensor_id"] == sensor
        gone = {"removed": pd.Timestamp("2024-01-01"), "removal_reason": removed}
        fleet.sensors.loc[mine, list(gone)] = list(gone.values())
    lives = health.lives(fleet)
    readings = health.readings(fleet, lives)
    zeros = health.zero_events(fleet, lives)
    model = AgeingModel(**FIRST_LOOK).fit(readings, lives, fleet.cylinders)
    odd = health.find_oddities(readings, lives, model.residuals_, cylinders=fleet.cylinders, zeros=zeros)
    used = odd.kept(readings)
    again = AgeingModel(**FIRST_LOOK).fit(used, lives, fleet.cylinders, odd.steps)
    cylinders = health.judge_cylinders(again.cylinder_effects_, fleet.cylinders, used, residuals=again.residuals_)
    return health.verdict(
        sensor,
        fleet=fleet,
        lives=lives,
        readings=used,
        residuals=again.residuals_,
        oddities=odd,
        cylinders=cylinders,
        zeros=zeros,
        **trends,
    )


@pytest.mark.parametrize(
    ("event", "expected", "words"),
    [
        ("weak gas", "gas", "check the gas before ordering a sensor"),
        ("leak", "handling", "repeat the calibration"),
        ("step", "sensor", "replace the sensor"),
        ("instrument", "handling", "repeat the calibration"),
        ("dirty zero", "zero", "zero again in air known to be clean"),
        ("nothing", "no fault seen", "nothing beyond the routine"),
    ],
)
def test_the_cause_is_named_with_its_probability_and_the_next_step(event: str, expected: str, words: str) -> None:
    found = verdict_on(event)
    assert found.verdict == expected
    assert found.probability == max(found.probabilities.values()) > 0.5
    assert sum(found.probabilities.values()) == pytest.approx(1.0)
    assert words in found.next_step
    assert any(line.startswith("Verdict:") for line in found.lines) and len(found.lines) < 15


def test_gas_is_told_with_the_number_of_sensors_and_readings_behind_it() -> None:
    found = verdict_on("weak gas")
    assert "11 other sensors read low on this cylinder since 20" in found.reason
    assert "22 readings of 11" in found.reason


def test_a_step_is_named_with_its_dates_and_is_not_called_wear() -> None:
    found = verdict_on("step")
    assert "a step (poisoning, over-range, drying), not wear" in found.reason and "between 20" in found.reason
    assert any(line.startswith("Its past: step down (-4") for line in found.lines)


def test_a_sensor_that_was_taken_out_has_nothing_left_to_be_done_on_it() -> None:
    found = verdict_on("end by a step", removed="poisoned")
    assert found.verdict == "sensor" and "not wear" in found.reason
    assert "Removed: 2024-01-01, poisoned" in found.lines
    assert "taken out" in found.next_step and not any("out of service until" in line for line in found.lines)


def test_a_zero_that_drifts_and_a_response_that_slows_have_a_line_each() -> None:
    drift = pd.DataFrame({"sensor_id": ["s02", "s03"], "drifting": True, "reason": ["drifting: +2 ppm", "of another"]})
    slow = pd.DataFrame({"sensor_id": ["s02"], "slowing": [True], "reason": ["slowing: +30 %"]})
    lines = verdict_on("nothing", zero_drift=drift, response_times=slow).lines
    assert "Zero: drifting: +2 ppm" in lines and "Response: slowing: +30 %" in lines
    quiet = verdict_on("nothing", zero_drift=drift.assign(drifting=False), response_times=slow.assign(slowing=False)).lines
    assert not any(line.startswith(("Zero:", "Response:")) for line in quiet)


def test_a_sensor_never_tested_on_gas_is_unknown_and_not_green() -> None:
    found = verdict_on("nothing", "silent")
    assert found.verdict == "unknown" and pd.isna(found.last_gas_test)


def test_a_sensor_that_is_not_in_the_fleet_is_an_error() -> None:
    with pytest.raises(KeyError):
        verdict_on("nothing", "nobody")


def test_one_taken_out_for_no_recorded_reason_is_not_to_be_relied_on_untested() -> None:
    found = verdict_on("end by a step", removed="")
    assert any("test it on gas before it is relied on" in line for line in found.lines)
    assert any("out of service until it passes" in line for line in found.lines)
    told = verdict_on("end by a step", removed="poisoned")
    assert any("nothing is left to do" in line for line in told.lines)
