"""Sensors that stand adjusted with bad gas."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth import health

from .fleets import tables


def judged(**changes):
    row = {"cylinder_id": "W", "gas": "CO", "bias": np.log(0.9), "fade_per_day": 0.0, "flagged": True, "direction": "weak",
           "judgement": "weak", "last_used": pd.Timestamp("2023-06-01"), "sensors": 5, "readings": 20}  # fmt: skip
    return pd.DataFrame([row | changes])


def listed(rows, cylinder=None, sensors=("a",), **sensor):
    fleet = tables([{"sensor_id": s, **sensor} for s in sensors], rows)
    return health.retest_list(fleet, judged() if cylinder is None else cylinder)


SPAN = {"time": "2023-05-01", "cylinder_id": "W", "headroom": 150.0}


def test_a_sensor_adjusted_with_weak_gas_over_reads() -> None:
    found = listed([SPAN])
    assert found["direction"].tolist() == ["over-reads"]
    assert found["error_ratio"].item() == pytest.approx(1 / 0.9)
    assert "11 % too high" in found["reason"].item()


def test_a_sensor_adjusted_with_strong_gas_under_reads_and_stands_first() -> None:
    strong = judged(cylinder_id="S", bias=np.log(1.1), direction="strong", judgement="strong")
    rows = [SPAN, {"sensor_id": "b", "time": "2023-05-01", "cylinder_id": "S"}]
    found = listed(rows, pd.concat([judged(), strong]), sensors=("a", "b"))
    assert found["sensor_id"].tolist() == ["b", "a"]
    assert found["direction"].iloc[0] == "under-reads" and "dangerous" in found["reason"].iloc[0]


@pytest.mark.parametrize(
    ("later", "still"),
    [
        ({"cylinder_id": "G"}, False),
        ({"cylinder_id": "G", "outcome": "fail"}, True),
        ({"cylinder_id": "G", "kind": "bump"}, True),
        ({"cylinder_id": "G", "kind": "zero"}, True),
        ({"cylinder_id": ""}, True),
        ({"cylinder_id": "W"}, True),
    ],
)
def test_only_a_span_that_passed_on_good_gas_clears_a_sensor(later, still) -> None:
    found = listed([SPAN, {"time": "2023-06-01", **later}])
    assert (len(found) == 1) is still


def test_gas_that_was_not_recorded_later_is_said() -> None:
    assert "not recorded" in listed([SPAN, {"time": "2023-06-01", "cylinder_id": ""}])["reason"].item()


def test_removed_sensors_and_cylinders_in_order_are_not_listed() -> None:
    assert listed([SPAN], removed="2023-07-01").empty
    assert listed([SPAN], judged(flagged=False)).empty


def test_a_bump_test_does_not_adjust() -> None:
    assert listed([{**SPAN, "kind": "bump"}]).empty


def test_gas_that_fades_was_better_when_it_was_used_earlier() -> None:
    found = listed([SPAN], judged(fade_per_day=-0.001))
    assert found["error_ratio"].item() == pytest.approx(np.exp(-(np.log(0.9) + 0.001 * 31)))


def test_gas_that_was_strong_before_it_faded_left_sensors_that_under_read() -> None:
    found = listed([SPAN], judged(fade_per_day=-0.005))
    assert found["direction"].tolist() == ["under-reads"]
    assert found["error_ratio"].item() < 1 and "dangerous" in found["reason"].item()


def test_every_sensor_adjusted_since_the_first_use_is_listed_and_no_other() -> None:
    rows = [{"sensor_id": s, "time": t, "cylinder_id": c} for s, t, c in (
        ("a", "2023-01-05", "W"), ("b", "2023-02-01", "G"), ("b", "2023-03-01", "W"), ("c", "2023-03-02", "W"),
        ("c", "2023-04-02", "G"), ("d", "2023-05-30", "W"), ("e", "2023-05-01", "G"))]  # fmt: skip
    found = listed(rows, sensors=("a", "b", "c", "d", "e"))
    assert sorted(found["sensor_id"]) == ["a", "b", "d"]
