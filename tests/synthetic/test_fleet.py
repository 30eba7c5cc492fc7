"""The synthetic fleet is what it claims to be: reproducible, of known truth, faulty only where asked."""

from __future__ import annotations

import filecmp

import numpy as np
import pandas as pd
import pytest

from sensorhealth.nomenclature import TABLES_IN, columns
from sensorhealth.synthetic import Scenario, SyntheticFleet, simulate
from sensorhealth.technologies import gases, technologies


@pytest.fixture(scope="module")
def demo() -> SyntheticFleet:
    return simulate()


@pytest.fixture(scope="module")
def clean() -> SyntheticFleet:
    return simulate(120, seed=4, scenario=Scenario.clean(growth=False))


def readings(fleet: SyntheticFleet) -> pd.DataFrame:
    """Calibrations beside the truth of the same rows."""
    table = fleet.calibrations.assign(row=np.arange(1, len(fleet.calibrations) + 1))
    return table.merge(fleet.truth["truth_readings"], on="row")


def test_demo_is_a_real_sized_fleet(demo: SyntheticFleet) -> None:
    assert len(demo.sensors) == 480
    assert len(demo.calibrations) >= 20_000
    assert demo.sensors["technology"].nunique() == 5
    assert demo.sensors["gas"].nunique() == 8
    assert demo.sensors["site"].nunique() == 4
    start, end = pd.Timestamp(demo.scenario.records_start), pd.Timestamp(demo.scenario.records_end)
    assert 3 * 365 <= (end - start).days <= 4 * 366
    inside = demo.calibrations["time"].between(start, end)
    assert inside.mean() > 0.99


def test_tables_use_the_vocabulary_of_the_contract(demo: SyntheticFleet) -> None:
    for name in TABLES_IN:
        assert set(getattr(demo, name).columns) <= set(columns(name))
    assert set(demo.sensors["technology"]) <= set(technologies())
    assert set(demo.sensors["gas"]) <= set(gases())
    assert set(demo.sensors["removal_reason"]) <= {"", *columns("sensors")["removal_reason"].choices}
    assert set(demo.calibrations["outcome"]) <= set(columns("calibrations")["outcome"].choices)


def test_same_seed_gives_the_same_files_and_another_seed_others(tmp_path) -> None:
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        simulate(60, seed=seed).write(tmp_path / name)
    files = [path.relative_to(tmp_path / "a") for path in sorted((tmp_path / "a").rglob("*")) if path.is_file()]
    assert len(files) >= 10
    assert all(filecmp.cmp(tmp_path / "a" / f, tmp_path / "b" / f, shallow=False) for f in files)
    assert not filecmp.cmp(tmp_path / "a" / "calibrations.csv", tmp_path / "c" / "calibrations.csv", shallow=False)


def test_written_fleet_says_that_it_is_invented(tmp_path) -> None:
    out = simulate(20, seed=1).write(tmp_path / "fleet")
    assert "invented" in (out / "README.md").read_text().lower()
    assert (out / "INVENTED.txt").is_file()


def test_committed_demo_is_what_the_default_seed_gives(tmp_path, demo: SyntheticFleet) -> None:
    from pathlib import Path

    committed = Path(__file__).resolve().parents[2] / "data" / "synthetic"
    out = demo.write(tmp_path / "demo")
    files = [path.relative_to(out) for path in out.rglob("*") if path.is_file()]
    assert all(filecmp.cmp(out / f, committed / f, shallow=False) for f in files)


def test_headroom_is_the_true_path_and_the_named_effects_and_nothing_else(demo: SyntheticFleet) -> None:
    scenario = Scenario.demo(rounding=False, display_limit=False, odd_factor=0.0, temperature_factor=0.0)
    rows = readings(simulate(100, seed=5, scenario=scenario)).dropna(subset=["headroom"])
    parts = rows[["latent", "gas_effect", "session_effect", "noise", "loose_cap"]].sum(axis=1)
    gap = np.log(rows["headroom"] / rows["applied"]) - parts
    contaminated = gap.abs() > 1e-4
    assert contaminated.mean() < 0.05
    assert (gap[contaminated] < 0).all()  # a zero set in contaminated air takes the same off the span


def test_true_end_is_where_the_true_path_meets_one(clean: SyntheticFleet) -> None:
    truth = clean.truth["truth_sensors"]
    life = {"exponential": lambda h, r: h / r, "linear": lambda h, r: (1 - np.exp(-h)) / r}
    for curve, age in life.items():
        rows = truth[(truth["curve"] == curve) & truth["soft_end"].notna()]
        assert len(rows) > 10
        years = (rows["soft_end"] - rows["installed"]).dt.days / 365.25
        assert np.abs(years - age(rows["level"], rows["rate"])).max() < 8 / 365


def test_clean_scenario_has_no_faults(clean: SyntheticFleet) -> None:
    assert clean.truth["truth_events"].empty
    assert clean.truth["truth_odd_rows"].empty
    assert (clean.truth["truth_cylinders"][["bias", "fade_per_year"]] == 0).all(axis=None)
    assert not clean.truth["truth_lots"]["bad"].any()
    assert clean.calibrations["headroom"].notna().all()


@pytest.mark.parametrize(
    ("change", "kind"),
    [
        ({"step_per_year": 0.3}, "step"),
        ({"poisoning_per_site_year": 3.0}, "poisoning"),
        ({"unrecorded_swap_share": 0.5}, "swap"),
        ({"loose_cap_share": 0.02}, "loose cap"),
        ({"contaminated_zero_share": 0.2}, "contaminated zero"),
        ({"cleanings": True}, "cleaning"),
    ],
)
def test_each_fault_is_switched_on_by_its_own_field(change: dict[str, float], kind: str) -> None:
    events = simulate(150, seed=6, scenario=Scenario.clean(**change)).truth["truth_events"]
    assert set(events["kind"]) == {kind}


def test_cylinders_serve_their_span_and_stay_within_tolerance_but_for_the_faulty(demo: SyntheticFleet) -> None:
    truth = demo.truth["truth_cylinders"]
    good = truth[~truth["faulty"]]
    assert (good["bias"].abs() <= good["tolerance"] + 1e-9).all()
    assert 3 <= truth["faulty"].sum() <= 0.12 * len(truth)
    assert (truth["fade_per_year"] < 0).sum() >= 3
    rows = readings(demo).merge(demo.sensors[["sensor_id", "gas"]], on="sensor_id")
    served = rows[rows["cylinder_id"] != ""].groupby(["cylinder_id", "gas"]).size()
    assert served.max() <= 230
    assert 20 <= served.median() <= 200


def test_two_lots_are_really_worse(demo: SyntheticFleet) -> None:
    bad = demo.truth["truth_lots"].query("bad")
    assert len(bad) == 2
    assert (demo.sensors["lot"].value_counts()[bad["lot"]] >= 10).all()


def test_an_unrecorded_swap_starts_a_new_life_of_the_same_sensor(demo: SyntheticFleet) -> None:
    truth = demo.truth["truth_sensors"]
    swaps = demo.truth["truth_events"].query("kind == 'swap'")
    second = truth[truth["life_id"].str.contains("/")]
    assert len(swaps) == len(second) > 0
    assert set(second["sensor_id"]) <= set(demo.sensors["sensor_id"])


def test_odd_rows_are_where_the_truth_says(demo: SyntheticFleet) -> None:
    odd = demo.truth["truth_odd_rows"]
    at = demo.calibrations.iloc[odd["row"] - 1].reset_index(drop=True)
    assert (at.loc[odd["kind"] == "clock reset", "time"].dt.year == 2000).all()
    assert (at.loc[odd["kind"] == "aborted", "outcome"] == "aborted").all()
    assert not at.loc[odd["kind"] == "unknown sensor", "sensor_id"].isin(demo.sensors["sensor_id"]).any()
    assert at.loc[odd["kind"] == "duplicate"].duplicated().sum() == 0
    duplicated = demo.calibrations.duplicated().to_numpy()
    assert set(odd.loc[odd["kind"] == "duplicate", "row"] - 1) == set(np.nonzero(duplicated)[0])


def test_failing_sensors_leave_unless_removal_is_switched_off() -> None:
    stay = simulate(40, seed=2, scenario=Scenario.clean(growth=False, informative_removal=False))
    assert stay.sensors["removed"].isna().all()
    leave = simulate(40, seed=2, scenario=Scenario.clean(growth=False))
    assert (leave.sensors["removal_reason"] == "worn").sum() > 5


def test_only_restricts_the_fleet_to_one_kind() -> None:
    fleet = simulate(30, seed=1, scenario=Scenario.demo().only("CO cell"))
    assert set(fleet.sensors["gas"]) == {"CO"}
    assert len(fleet.sensors) == 30
    assert len(simulate(777, seed=3).sensors) == 777


def test_a_choice_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ValueError, match="curve"):
        Scenario.clean(curve="spiral")
    with pytest.raises(ValueError, match="asked for"):
        Scenario.clean().only("no such cell")
    with pytest.raises(ValueError, match="1 or more"):
        simulate(0)
