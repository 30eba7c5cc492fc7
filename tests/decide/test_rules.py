"""One battery of laws over all rules, and one claim about each."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from decide_builders import AS_OF, forecast_rows, tables, weibull_rows

from sensorhealth.decide import Evidence, FleetPlan, Policy, plan_fleet
from sensorhealth.decide.rules import rules
from sensorhealth.nomenclature import columns

DAY = pd.Timedelta(days=1)


def _mixed(size: int = 300, seed: int = 0) -> tuple[Any, ...]:
    """A fleet in which every rule applies to some sensors."""
    rng = np.random.default_rng(seed)
    ids = [f"S{i:03d}" for i in range(size)]
    status = rng.choice(["forecast", "group forecast", "removed", "not yet installed", "no forecast"], size,
                        p=[0.7, 0.1, 0.1, 0.05, 0.05])  # fmt: skip
    outcome = rng.choice(["pass", "fail", "aborted", "unknown", ""], size, p=[0.8, 0.05, 0.05, 0.05, 0.05])
    ago = rng.integers(1, 260, size)
    test = AS_OF - pd.to_timedelta(ago, unit="D")
    forecast = forecast_rows(ids, status=status, last_gas_test_outcome=outcome, last_gas_test=test,
                             readings_used=rng.integers(0, 9, size),
                             p_end_before_warranty_end=rng.random(size) ** 4)  # fmt: skip
    forecast.loc[rng.random(size) < 0.05, "last_gas_test"] = pd.NaT
    fleet = tables(ids, cylinder=rng.choice(["C1", "C2", "C3", "C4"], size), days_ago=ago,
                   site=rng.choice(["A", "B"], size),
                   warranty_end=AS_OF + pd.to_timedelta(rng.integers(-100, 500, size), unit="D"))  # fmt: skip
    evidence = Evidence(
        cylinders=pd.DataFrame({"cylinder_id": ["C1", "C2"], "gas": "H2S", "flagged": [True, False],
                                "p_off": [0.97, 0.2], "direction": ["strong", ""]}),
        single_readings=pd.DataFrame({"sensor_id": ids[:30], "time": test[:30], "probability": 0.9,
                                      "residual": -0.3, "recovered": None}),
        zeros=pd.DataFrame({"life_id": ids[40:120], "end_p05": AS_OF + 2 * DAY * np.arange(-20, 60)}),
    )  # fmt: skip
    known = status != "no forecast"
    kept = [name for name, there in zip(ids, known) if there]
    remaining = weibull_rows(kept, 10.0 * 300.0 ** rng.random(size)[known], 5.0, 0.03)
    return remaining, None, forecast, fleet, Policy(), evidence


@pytest.fixture(scope="module")
def planned() -> FleetPlan:
    return plan_fleet(*_mixed())


@pytest.mark.parametrize("rule", rules(), ids=lambda rule: f"{rule.priority} {rule.action}")
def test_laws_of_every_rule(rule: Any, planned: FleetPlan) -> None:
    facts, ahead = planned.facts, planned.ahead
    applies = rule.applies(facts, ahead)
    assert applies.shape == (facts.size,)
    assert applies.dtype == bool
    assert applies.any(), "the mixed fleet must hold a case of every rule"
    rows = np.flatnonzero(applies)
    reasons = rule.reason(facts, ahead, rows)
    for text in set(reasons):
        assert text.endswith("."), text
        assert "nan" not in text.lower().split(), text
        assert "NaT" not in text, text
        assert "  " not in text, text
    due = rule.due(facts, ahead, rows)
    assert due.shape == rows.shape
    assert (np.isnat(due) | (due >= facts.as_of)).all()
    assert rule.action in columns("plan")["action"].choices
    assert (rule.direct_cost(facts, ahead, rows) >= 0).all()
    sure = rule.confidence(facts, ahead, rows)
    assert ((sure >= 0) & (sure <= 1) | np.isnan(sure)).all()


def test_priorities_are_distinct_and_every_action_has_a_rule() -> None:
    priorities = [rule.priority for rule in rules()]
    assert len(set(priorities)) == len(priorities)
    assert {rule.action for rule in rules()} == set(columns("plan")["action"].choices)


def test_every_sensor_has_one_action_and_one_reason(planned: FleetPlan) -> None:
    table = planned.actions
    assert table["sensor_id"].tolist() == planned.facts.sensor_id.tolist()
    assert (table["reason"].str.len() > 20).all()
    assert set(columns("plan")) == set(table.columns)
    assert set(table["action"]) == set(columns("plan")["action"].choices)


def test_order_of_the_sensors_does_not_matter(planned: FleetPlan) -> None:
    remaining, lives, forecast, fleet, policy, evidence = _mixed()
    order = np.random.default_rng(1).permutation(len(forecast))
    shuffled = plan_fleet(remaining, lives, forecast.iloc[order].reset_index(drop=True), fleet, policy, evidence).actions
    same = shuffled.set_index("sensor_id").loc[planned.actions["sensor_id"]].reset_index()
    pd.testing.assert_frame_equal(same, planned.actions)


def test_keep_never_puts_a_test_off_past_the_policys_interval(planned: FleetPlan) -> None:
    table = planned.actions
    kept = table[table["action"] == "keep"]
    limit = kept["last_gas_test"] + Policy().calibration_interval_days * DAY
    assert (kept["due"] <= limit).all()
    assert (AS_OF - kept["last_gas_test"] <= Policy().calibration_interval_days * DAY).all()


def test_failed_test_puts_a_sensor_out_of_service_whatever_else_is_known() -> None:
    """Safety first: neither a long forecast nor doubted gas keeps it in service."""
    remaining, lives, forecast, fleet, policy, evidence = _mixed()
    forecast["last_gas_test_outcome"] = "fail"
    table = plan_fleet(remaining, lives, forecast, fleet, policy, evidence).actions
    in_service = ~forecast["status"].isin(["removed", "not yet installed"])
    assert (table["action"][in_service] == "out of service").all()


def _one(action_of: dict[str, Any], evidence: Evidence | None = None, scale: float = 5000.0, **policy: Any) -> pd.Series:
    """The plan of a single sensor."""
    fleet_columns = {name: action_of.pop(name) for name in ("warranty_end", "days_ago", "kind") if name in action_of}
    forecast = forecast_rows(["S"], **action_of)
    fleet = tables(["S"], **fleet_columns)
    return plan_fleet(weibull_rows(["S"], scale), None, forecast, fleet, Policy(**policy), evidence).actions.iloc[0]


def _flagged(direction: str) -> Evidence:
    return Evidence(
        cylinders=pd.DataFrame(
            {
                "cylinder_id": ["C1"],
                "gas": ["H2S"],
                "flagged": [True],
                "p_off": [0.99],
                "direction": [direction],
            }
        )
    )


def test_sensor_last_tested_on_doubted_gas_is_not_judged_before_the_gas() -> None:
    row = _one({}, _flagged("strong"), scale=200.0)
    assert row["action"] == "check gas"
    assert "C1" in row["reason"]
    assert "UNDER-reads" in row["reason"]


def test_no_replacement_is_advised_where_the_gas_may_explain_the_failed_test() -> None:
    row = _one({"last_gas_test_outcome": "fail"}, _flagged("weak"))
    assert row["action"] == "out of service"
    assert "no replacement and no claim" in row["reason"]


def test_one_low_reading_is_repeated_and_a_recovered_one_is_forgotten() -> None:
    def evidence(recovered: Any, residual: float = -0.4) -> Evidence:
        row = {"sensor_id": "S", "time": AS_OF - 30 * DAY, "probability": 0.9, "residual": residual}
        return Evidence(single_readings=pd.DataFrame([{**row, "recovered": recovered}]))

    assert _one({}, evidence(None))["action"] == "repeat calibration"
    assert _one({}, evidence(True))["action"] == "keep"
    assert _one({}, evidence(None, residual=0.4))["action"] == "keep"


def test_single_low_reading_before_the_last_test_is_no_longer_open() -> None:
    old = Evidence(single_readings=pd.DataFrame({"sensor_id": ["S"], "time": [AS_OF - 90 * DAY], "probability": [0.9],
                                                 "recovered": [None]}))  # fmt: skip
    assert _one({}, old)["action"] == "keep"


def test_risk_past_the_first_visit_is_swapped_now_and_named() -> None:
    row = _one({}, scale=30.0, first_visit_days=60)
    assert row["action"] == "swap now"
    assert row["over_risk"]
    assert row["due"] == AS_OF
    assert "too late" in row["reason"]


def test_risk_after_the_first_visit_is_swapped_at_it() -> None:
    row = _one({}, scale=100.0)
    assert row["action"] == "swap at visit"
    assert row["visit"] == AS_OF + 14 * DAY
    assert not row["over_risk"]


@pytest.mark.parametrize("scale, policy", [(40.0, {"first_visit_days": 30}), (100.0, {})])
def test_sensor_that_nobody_has_looked_at_for_long_is_tested_before_it_is_swapped(scale: float, policy: dict[str, Any]) -> None:
    """A test costs less than a swap that may not be needed, unless the end is next to certain; the plan still reckons with it."""
    known = _one({}, scale=scale, **policy)
    assert known["action"] in ("swap now", "swap at visit")
    for facts, why in (
        ({"days_ago": 400, "last_gas_test": AS_OF - 400 * DAY}, "longer ago than the 180 days"),
        ({"readings_used": 0}, "no reading of its own"),
    ):
        row = _one(dict(facts), scale=scale, **policy)
        assert row["action"] == "test with gas"
        assert row["due"] == AS_OF
        assert why in row["reason"] and "new sensor at hand" in row["reason"]
        assert row["swap_visit"] == known["swap_visit"] or pd.isna(known["swap_visit"])
        assert _one(dict(facts), scale=scale, calibration_cost=1e6, **policy)["action"] == known["action"]
    assert _one({"readings_used": 0}, scale=5.0, first_visit_days=60)["action"] == "swap now"


def test_risk_that_a_new_sensor_would_carry_too_is_no_reason_to_swap() -> None:
    """Sudden ends at a constant, high rate: a swap would not help, so it is named instead."""
    forecast, fleet = forecast_rows(["S"]), tables(["S"])
    both = weibull_rows(["S"], 50_000.0, 4.0, hazard_per_year=0.5)
    fresh = weibull_rows(["electrochemical H2S"], 50_000.0, 4.0, hazard_per_year=0.5)
    row = plan_fleet(both, None, forecast, fleet, Policy(), fresh=fresh).actions.iloc[0]
    assert row["action"] == "keep"
    assert row["over_risk"]
    assert "a new sensor would do no better" in row["reason"]


def test_warranty_that_ends_soon_asks_for_a_test_in_time() -> None:
    row = _one({"p_end_before_warranty_end": 0.3, "warranty_end": AS_OF + 60 * DAY})
    assert row["action"] == "test before warranty ends"
    assert row["due"] == AS_OF + 30 * DAY
    assert _one({"p_end_before_warranty_end": 0.3, "warranty_end": AS_OF + 300 * DAY})["action"] == "keep"
    assert _one({"p_end_before_warranty_end": 0.001, "warranty_end": AS_OF + 60 * DAY})["action"] == "keep"


def test_overdue_calibration_is_asked_for() -> None:
    row = _one({"last_gas_test": AS_OF - 181 * DAY, "days_ago": 181})
    assert row["action"] == "test with gas"
    assert row["due"] == AS_OF


def test_bump_tests_count_only_where_they_are_in_the_records() -> None:
    assert _one({})["action"] == "keep"
    assert _one({}, bump_tests_recorded=True)["action"] == "test with gas"


@pytest.mark.parametrize("outcome", ["aborted", "", "unknown"])
def test_unclear_last_test_is_unknown_and_never_green(outcome: str) -> None:
    row = _one({"last_gas_test_outcome": outcome, "readings_used": 0})
    assert row["action"] == "test with gas"


def test_sensor_that_was_never_tested_is_unknown() -> None:
    row = _one({"last_gas_test": pd.NaT, "last_gas_test_outcome": "", "kind": "zero"})
    assert row["action"] == "test with gas"
    assert "No gas test" in row["reason"]


def test_bump_tests_alone_do_not_make_a_calibration() -> None:
    assert _one({"kind": "bump"})["action"] == "test with gas"


def test_element_swapped_without_a_record_has_no_known_warranty_or_lot() -> None:
    """Its life began at the swap; the warranty and lot on record were those of the element before it."""
    forecast, fleet = forecast_rows(["S", "T"]), tables(["S", "T"], warranty_end=AS_OF + 60 * DAY)
    lives = pd.DataFrame(
        {"sensor_id": ["S", "S", "T"], "life_id": ["S", "S/2", "T"], "current": [False, True, True], "lot": ["L1", "", "L1"],
         "installed": [AS_OF - 400 * DAY, AS_OF - 50 * DAY, AS_OF - 400 * DAY]}
    )  # fmt: skip
    facts = plan_fleet(weibull_rows(["S/2", "T"], 900.0), lives, forecast, fleet, Policy()).facts
    assert np.isnat(facts.warranty_end).tolist() == [True, False]
    assert facts.lot.tolist() == ["", "L1"]
    assert facts.installed[0] == np.datetime64("2026-02-09")
    assert facts.row.tolist() == [0, 1]


def test_a_swap_that_comes_early_to_save_a_visit_says_so() -> None:
    """One sensor is near its end, the other would be swapped later by itself; with dear visits both go on the first."""
    ids = ["A", "B"]
    found = []
    for cost in (1.0, 2000.0):
        remaining = weibull_rows(ids, np.array([90.0, 220.0]), 8.0)
        plan = plan_fleet(remaining, None, forecast_rows(ids), tables(ids), Policy(visit_cost=cost, risk=0.5))
        found.append(plan.actions.set_index("sensor_id"))
    assert (found[1]["action"] == "swap at visit").all()
    assert found[0].loc["B", "swap_visit"] > found[0].loc["A", "swap_visit"]
    assert "saves a visit of its own" in found[1].loc["B", "reason"]
    assert "saves a visit" not in found[1].loc["A", "reason"]


def test_swap_for_which_no_visit_has_room_in_time_is_named_in_words() -> None:
    """One swap a visit, nine sensors that all end within a year: whoever is put off past the accepted risk is told so."""
    ids = [f"S{number}" for number in range(9)]
    remaining = weibull_rows(ids, 250.0, 6.0)
    plan = plan_fleet(remaining, None, forecast_rows(ids), tables(ids), Policy(visit_capacity_swaps=1))
    table = plan.actions[plan.actions["action"] == "keep"]
    late = table["swap_visit"] > table["latest_swap"]
    without = table["swap_visit"].isna()
    assert late.any() and without.any()
    assert table.loc[late | without, "over_risk"].all()
    assert table.loc[late, "reason"].str.contains("past its accepted risk").all()
    assert table.loc[without, "reason"].str.contains("no visit has room for it").all()
    assert not table.loc[~late & ~without, "reason"].str.contains("room").any()


def test_failed_sensor_without_room_for_its_replacement_says_so() -> None:
    ids = [f"S{number}" for number in range(8)]
    forecast = forecast_rows(ids, last_gas_test_outcome="fail")
    plan = plan_fleet(weibull_rows(ids, 900.0), None, forecast, tables(ids), Policy(visit_capacity_swaps=1))
    place = plan.actions["swap_visit"].notna()
    assert 0 < place.sum() < len(ids)
    assert plan.actions.loc[place, "reason"].str.contains("Place for its replacement is kept").all()
    assert plan.actions.loc[~place, "reason"].str.contains("No visit has room").all()


def test_zero_that_may_drift_past_its_limit_is_looked_at_in_time_and_never_later_than_the_policy_says() -> None:
    ids = ["past", "soon", "late", "far", "none"]
    first, second = (Policy().first_visit_days + number * Policy().visit_interval_days for number in (0, 1))
    end = AS_OF + DAY * np.array([-30, 40, second - 1, second + 1])
    zeros = pd.DataFrame({"life_id": ids[:4], "end_p05": end})
    fleet = tables(ids, days_ago=100)
    forecast = forecast_rows(ids, last_gas_test=AS_OF - 100 * DAY)
    plan = plan_fleet(weibull_rows(ids, 2500.0), None, forecast, fleet, Policy(), Evidence(zeros=zeros)).actions
    plan = plan.set_index("sensor_id")
    assert plan["action"].tolist() == ["test with gas"] * 3 + ["keep"] * 2
    assert plan["due"].tolist()[:3] == [AS_OF, AS_OF + 40 * DAY, AS_OF + 80 * DAY]  # 80: the policy's interval
    assert plan.loc[ids[:3], "reason"].str.contains("zero").all()
    assert "by now" in plan.loc["past", "reason"]
    assert first < 40


def test_drifting_zero_changes_nothing_for_a_sensor_that_is_swapped_anyway() -> None:
    zeros = pd.DataFrame({"life_id": ["A"], "end_p05": [AS_OF]})
    plan = plan_fleet(weibull_rows(["A"], 60.0), None, forecast_rows(["A"]), tables(["A"]), Policy(), Evidence(zeros=zeros))
    assert plan.actions["action"].tolist() == ["swap at visit"]
