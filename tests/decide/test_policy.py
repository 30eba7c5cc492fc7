"""The policy: documented key by key, and refused in plain words when it is wrong."""

from __future__ import annotations

import copy
import datetime as dt
import pickle
import tomllib
from pathlib import Path

import pytest
from decide_builders import forecast_rows, tables, weibull_rows

from sensorhealth.decide import Policy, plan_fleet, unknown_names
from sensorhealth.decide.keys import keys_of
from sensorhealth.decide.policy import KindPolicy, SitePolicy
from sensorhealth.errors import PolicyError


def test_commented_defaults_are_read_back_as_the_defaults(tmp_path: Path) -> None:
    file = tmp_path / "policy.toml"
    file.write_text(Policy.defaults_toml(), encoding="utf-8")
    assert Policy.load(file) == Policy()


def test_every_key_is_documented_with_its_meaning_and_range() -> None:
    for cls in (Policy, SitePolicy, KindPolicy):
        documented = keys_of(cls)
        assert set(cls.__dataclass_fields__) - set(documented) <= {"sites", "kinds"}
        for name, facts in documented.items():
            assert facts.meaning.endswith("."), name
            assert facts.kind not in ("number", "integer") or (facts.low is not None and facts.high is not None), name


def test_units_stand_in_the_names_of_all_days_and_months() -> None:
    for cls in (Policy, SitePolicy, KindPolicy):
        for name, facts in keys_of(cls).items():
            if facts.unit in ("days", "months"):
                assert name.endswith(f"_{facts.unit}"), name


def test_page_of_documentation_is_what_the_policy_says() -> None:
    page = Path(__file__).resolve().parents[2] / "docs" / "policy.md"
    assert page.read_text(encoding="utf-8") == Policy.documentation()


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("riks = 0.1", ["riks", "does not exist", "did you mean risk"]),
        ("risk = 2", ["risk", "2", "0.0001 to 0.5"]),
        ("risk = true", ["risk", "True", "a number"]),
        ("lead_time_days = 3.5", ["lead_time_days", "3.5", "whole number"]),
        ("risk = nan", ["risk", "nan"]),
        ('currency = ""', ["currency", "not empty"]),
        ('scheme = "guess"', ["scheme", "guess", "condition"]),
        ("bump_tests_recorded = 1", ["bump_tests_recorded", "true or false"]),
        ("sites = 3", ["sites", "3"]),
        ('[sites."A"]\nvisit_dates = [1, 2]', ['sites."A".visit_dates', "list of dates"]),
        ('[sites."A"]\nvisit_date = [2026-01-01]', ['sites."A".visit_date', "did you mean", "visit_dates"]),
        ('[kinds."x"]\nunit_cost = -1', ['kinds."x".unit_cost', "-1", "0 to"]),
        ("[kinds]\nx = 1", ['kinds."x"', "write a table"]),
    ],
)
def test_wrong_key_or_value_is_refused_by_name(tmp_path: Path, text: str, parts: list[str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(PolicyError) as caught:
        Policy.load(file)
    for part in ["mine.toml", *parts]:
        assert part in str(caught.value)


def test_file_that_is_absent_or_no_toml_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PolicyError, match=r"nowhere\.toml"):
        Policy.load(tmp_path / "nowhere.toml")
    (tmp_path / "bad.toml").write_text("risk = = 1", encoding="utf-8")
    with pytest.raises(PolicyError, match=r"bad\.toml: this is not TOML"):
        Policy.load(tmp_path / "bad.toml")


def test_site_and_kind_override_the_general_values() -> None:
    policy = Policy.from_mapping(
        tomllib.loads(
            'lead_time_days = 20\n[sites."North"]\nvisit_dates = [2026-05-01, 2026-03-02]\n'
            '[kinds."electrochemical H2S"]\nlead_time_days = 70\nstock_on_hand = 4\n'
        )
    )
    assert policy.of_site("North", "visit_dates") == (dt.date(2026, 3, 2), dt.date(2026, 5, 1))
    assert policy.of_site("North", "visit_interval_days") == Policy().visit_interval_days
    assert policy.of_kind("electrochemical H2S", "lead_time_days") == 70
    assert policy.of_kind("infrared CO2", "lead_time_days") == 20
    assert policy.of_kind("infrared CO2", "stock_on_hand") == 0


def test_changed_policy_survives_being_written_and_read(tmp_path: Path) -> None:
    policy = Policy(
        risk=0.02,
        currency='"kr"\n',
        sites={"Åby 'x'": {"visit_dates": [dt.date(2026, 1, 5)], "visit_cost": 900}},
        kinds={"a b": {"unit_cost": 12.5}},
    )
    file = tmp_path / "policy.toml"
    file.write_text(policy.to_toml(), encoding="utf-8")
    assert Policy.load(file) == policy


def test_copy_with_changes_is_checked_too() -> None:
    assert Policy().with_values(risk=0.1).risk == 0.1
    with pytest.raises(PolicyError, match="riskk"):
        Policy().with_values(riskk=0.1)


def test_policy_travels_between_processes() -> None:
    policy = Policy(risk=0.02, sites={"N": {"visit_interval_days": 30}}, kinds={"a b": {"stock_on_hand": 2}})
    assert pickle.loads(pickle.dumps(policy)) == policy  # noqa: S301
    assert copy.deepcopy(policy) == policy


def test_names_that_no_sensor_has_are_told() -> None:
    """A misspelt site would silently follow the general values."""
    policy = Policy.from_mapping({"sites": {"Nroth": {"visit_cost": 9.0}, "North": {}}, "kinds": {"electrochemical H2": {}}})
    plan = plan_fleet(weibull_rows(["A"], 900.0), None, forecast_rows(["A"]), tables(["A"]), policy)
    told = unknown_names(plan.facts)
    assert len(told) == 2
    assert "'Nroth'" in told[0] and "North" in told[0]
    assert "'electrochemical H2'" in told[1]


def test_the_limit_of_the_zero_holds_for_all_kinds_or_for_one() -> None:
    kinds = ["electrochemical CO", "infrared CO2"]
    assert Policy().zero_limits(kinds) is None
    assert Policy(zero_limit_ratio=0.2).zero_limits(kinds) == dict.fromkeys(kinds, 0.2)
    one = Policy(kinds={"infrared CO2": {"zero_limit_ratio": 0.1}})
    assert one.zero_limits(kinds) == {"infrared CO2": 0.1}
