"""The warranty list and the evidence sheets."""

from __future__ import annotations

from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from decide_builders import AS_OF, forecast_rows, tables, weibull_rows

from sensorhealth.decide import (
    Evidence,
    FleetPlan,
    Policy,
    evidence_sheets,
    for_evidence,
    plan_fleet,
    sensor_paths,
    warranty_list,
)
from sensorhealth.nomenclature import columns

DAY = pd.Timedelta(days=1)
IDS = ["A", "B", "C", "D", "E", "F"]


def _plan(evidence: Evidence | None = None, **policy: object) -> FleetPlan:
    chance = [0.5, 0.2, 0.2, 0.001, 0.9, 0.9]
    ends = [AS_OF + days * DAY for days in (90, 90, 90, 90, -1, 20)]
    forecast = forecast_rows(IDS, p_end_before_warranty_end=chance)
    fleet = tables(IDS, cylinder=["C1", "C1", "C2", "C1", "C1", "C1"], warranty_end=ends,
                   unit_cost=[200.0, 800.0, 900.0, 200.0, 200.0, 200.0])  # fmt: skip
    return plan_fleet(weibull_rows(IDS, 2000.0), None, forecast, fleet, Policy(**policy), evidence)


GAS = Evidence(cylinders=pd.DataFrame([{"cylinder_id": "C2", "gas": "H2S", "flagged": True, "p_off": 0.99, "direction": "weak"}]))


def test_list_is_ranked_by_what_a_claim_may_bring() -> None:
    table = warranty_list(_plan().facts)
    assert set(table.columns) == set(columns("warranty"))
    assert table["sensor_id"].tolist() == ["F", "C", "B", "A", "D"]
    assert table["expected_value"].iloc[:4].tolist() == pytest.approx([180.0, 180.0, 160.0, 100.0])
    assert table["rank"].tolist() == [1, 2, 3, 4, 5]
    assert "would cost more" in table["advice"].iloc[4]


def test_no_claim_is_advised_where_the_gas_explains_the_reading() -> None:
    table = warranty_list(_plan(GAS).facts).set_index("sensor_id")
    assert "No claim" in table.loc["C", "advice"]
    assert table.loc["C", "rank"] > table.loc["A", "rank"]


def test_no_claim_is_advised_where_handling_explains_the_reading() -> None:
    single = pd.DataFrame([{"sensor_id": "A", "time": AS_OF - 30 * DAY, "probability": 0.9, "recovered": None}])
    table = warranty_list(_plan(Evidence(single_readings=single)).facts).set_index("sensor_id")
    assert "No claim" in table.loc["A", "advice"]
    assert "handling" in table.loc["A", "advice"]


def test_test_falls_into_the_weeks_before_the_notice_period() -> None:
    row = warranty_list(_plan(warranty_notice_days=20, warranty_test_days=30).facts).set_index("sensor_id").loc["A"]
    assert row["test_by"] == AS_OF + 70 * DAY
    assert row["test_from"] == AS_OF + 40 * DAY
    late = warranty_list(_plan().facts).set_index("sensor_id").loc["F"]
    assert "at once" in late["advice"]


def test_pro_rata_terms_credit_only_the_part_of_the_warranty_left() -> None:
    """Installed 400 days ago, warranty of 490 days in all: 30 left when notice is given."""
    free = warranty_list(_plan().facts).set_index("sensor_id").loc["A", "expected_value"]
    part = _plan(warranty_terms="pro-rata", warranty_chance=0.0, calibration_cost=0.0)
    credit = warranty_list(part.facts).set_index("sensor_id").loc["A", "expected_value"]
    assert credit == pytest.approx(free * 30 / 490)


class _Tags(HTMLParser):
    """Checks that every element is closed, and gathers the text."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        if tag not in ("meta", "path", "circle", "polygon", "polyline"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in ("path", "circle", "polygon", "polyline"):
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def _fleet(plan: FleetPlan, note: str = "x") -> tuple[SimpleNamespace, pd.DataFrame, pd.DataFrame]:
    times = [AS_OF - days * DAY for days in (300, 200, 100, 30)]
    record = pd.DataFrame(
        {"sensor_id": "A", "time": times, "kind": "full", "cylinder_id": ["C0", "C1", "C1", "C2"], "applied": 25.0,
         "as_found": [24.0, 23.5, np.nan, 20.0], "outcome": "pass", "technician": note, "row": [1, 2, 3, 4]}
    )  # fmt: skip
    sensors = pd.DataFrame({"sensor_id": IDS, "instrument_id": note, "manufactured": pd.NaT})
    bottles = pd.DataFrame({"cylinder_id": ["C1"], "expires": [AS_OF - 150 * DAY]})
    readings = pd.DataFrame({"row": [1, 2, 3, 4], "log_ratio": np.log([2.0, 1.8, 1.7, 1.2]), "censoring": [1, 0, 0, 0]})
    days = pd.date_range(times[0], AS_OF + 300 * DAY, freq="30D")
    path = pd.DataFrame({"sensor_id": "A", "time": days, "mean": np.linspace(0.7, 0.1, len(days)), "sd_latent": 0.05})
    return SimpleNamespace(sensors=sensors, calibrations=record, cylinders=bottles), readings, path


def test_sheet_shows_readings_gas_path_and_forecast() -> None:
    plan = _plan(GAS)
    fleet, readings, path = _fleet(plan)
    page = evidence_sheets(plan, fleet, readings, ["A"], paths=path, cylinders=GAS.cylinders)
    tags = _Tags()
    tags.feed(page)
    assert not tags.open
    for text in (
        "C0", "expired", "doubted", "at least 2.00", "1.20", "Calibration record (4 rows)", "Warranty until", "2026-06-29",
        "A forecast is not a proof", "Chance of ending before the warranty does", "50 %", "200 EUR (a new sensor)",
    ):  # fmt: skip
        assert text in tags.text, text
    assert tags.seen.count("circle") == 4
    assert "polygon" in tags.seen


def test_text_of_the_records_cannot_become_part_of_the_page() -> None:
    plan = _plan()
    fleet, readings, _ = _fleet(plan, note="<script>alert(1)</script>\"'&")
    page = evidence_sheets(plan, fleet, readings, ["A", "B"])
    assert "<script" not in page
    tags = _Tags()
    tags.feed(page)
    assert tags.seen.count("section") == 2


def test_a_swap_before_the_weeks_for_testing_is_the_last_chance_for_a_claim() -> None:
    facts = _plan().facts
    early, late = (np.full(facts.size, np.datetime64(AS_OF + days * DAY, "D")) for days in (5, 60))
    advice = [warranty_list(facts, day).set_index("sensor_id").loc["A", "advice"] for day in (early, late)]
    assert "at the swap" in advice[0] and "2026-04-05" in advice[0]
    assert "between" in advice[1] and "at the swap" not in advice[1]


def test_a_sensor_that_is_swapped_now_is_tested_for_its_warranty_at_the_swap() -> None:
    """List, plan and sheet say the same: no test in three months of a sensor that is to be swapped today."""
    forecast = forecast_rows(["A"], p_end_before_warranty_end=0.8)
    fleet = tables(["A"], warranty_end=AS_OF + 150 * DAY)
    plan = plan_fleet(weibull_rows(["A"], 30.0), None, forecast, fleet, Policy(first_visit_days=60))
    assert plan.actions["action"].iloc[0] == "swap now"
    assert "warranty runs until 2026-08-28" in plan.actions["reason"].iloc[0]
    advice = warranty_list(plan.facts, plan.ahead.leaves)["advice"].iloc[0]
    assert "at the swap" in advice and "2026-03-31" in advice


class _Falling:
    """An ageing model by which every sensor loses a tenth of ln headroom a year from 0.5 on."""

    def predict(self, life_ids: list[str], age_years: np.ndarray) -> pd.DataFrame:
        return pd.DataFrame({"age_years": age_years, "mean": 0.5 - 0.1 * age_years, "sd_latent": 0.01})


def test_paths_run_from_installation_past_the_warranty() -> None:
    plan = _plan()
    lives = pd.DataFrame({"sensor_id": IDS, "life_id": IDS, "installed": AS_OF - 400 * DAY, "current": True})
    found = sensor_paths(_Falling(), lives, plan.facts, ["A", "F"])
    assert list(found["sensor_id"].unique()) == ["A", "F"]
    path = found[found["sensor_id"] == "A"]
    assert path["time"].iloc[0] == AS_OF - 400 * DAY
    assert path["time"].iloc[-1] == AS_OF + (90 + 180) * DAY
    assert path["mean"].iloc[-1] == pytest.approx(0.5 - 0.1 * 670 / 365.25)


def test_evidence_is_for_those_worth_a_test_in_the_order_of_the_list() -> None:
    facts = _plan(GAS).facts
    listed = warranty_list(facts)
    worth = listed[~listed["advice"].str.startswith("A test for the warranty alone")]["sensor_id"]
    assert for_evidence(facts) == list(worth)
    assert 0 < len(worth) < len(listed)


def test_a_page_without_sensors_and_one_with_too_many_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    plan = _plan()
    fleet, readings, _ = _fleet(plan)
    assert "No sensor is worth a test" in evidence_sheets(plan, fleet, readings, [])
    monkeypatch.setattr("sensorhealth.decide.sheet.MOST", 1)
    page = evidence_sheets(plan, fleet, readings, ["A", "B"])
    assert "The first 1 of 2 sensors." in page
    assert "Sensor B" not in page


def test_same_evidence_gives_the_same_page() -> None:
    plan = _plan()
    fleet, readings, _ = _fleet(plan)
    assert evidence_sheets(plan, fleet, readings, ["A"]) == evidence_sheets(plan, fleet, readings, ["A"])
