"""The command line says what it does, what went wrong, and with which exit code."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from sensorhealth import __version__, analysis, nomenclature, outlook
from sensorhealth.cli import main
from sensorhealth.decide import FORECAST_KEYS, Policy
from sensorhealth.records import Fleet

COMMANDS = (
    "report", "check", "simulate", "bench", "lots", "plan", "compare-policies", "track-record", "notebooks", "policy",
)  # fmt: skip


OUTLOOKS: dict[tuple[object, ...], outlook.Outlook] = {}


@pytest.fixture
def fitted_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a fleet's readings tell is worked out once for each margin and horizon: these tests are about what commands do with
    it, and under another policy everything that follows from it is decided anew."""

    def look_ahead(fleet: Fleet, day: pd.Timestamp, policy: Policy, **options: Any) -> outlook.Outlook:
        assert options["model"] is None and options["calibration"] is None
        key = (str(fleet.source), day, *(getattr(policy, name) for name in FORECAST_KEYS))
        if key not in OUTLOOKS:
            OUTLOOKS[key] = outlook.look_ahead(fleet, day, policy, **options)
        return OUTLOOKS[key]

    monkeypatch.setattr(analysis, "look_ahead", look_ahead)


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "sensorhealth", *arguments], capture_output=True, text=True)


def test_version_is_the_package_version(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(["--version"])
    assert stop.value.code == 0
    assert capsys.readouterr().out.strip() == f"sensorhealth {__version__}"


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_and_carries_the_caution(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main([command, "--help"])
    assert stop.value.code == 0
    assert "not a proof of function" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    "wrong",
    [[], ["report"], ["report", "x"], ["report", "x", "--out", "y", "--as-of", "31.03.2026"], ["simulate"], ["no"]],
)
def test_wrong_usage_ends_with_2(wrong: list[str]) -> None:
    with pytest.raises(SystemExit) as stop:
        main(wrong)
    assert stop.value.code == 2


def test_records_that_cannot_be_used_end_with_1_and_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "sensors.csv").write_text("a,b\n1,2\n")
    (tmp_path / "calibrations.csv").write_text("sensor_id,time,kind\nS1,2024-01-01,full\n")
    assert main(["report", str(tmp_path), "--out", str(tmp_path / "out")]) == 1
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1 and "sensors.csv" in captured.err and "sensor_id" in captured.err
    assert not (tmp_path / "out").exists()


def test_a_missing_folder_is_one_clear_line(tmp_path: Path) -> None:
    run = _run("check", str(tmp_path / "nowhere"))
    assert run.returncode == 1
    assert "nowhere" in run.stderr and "Traceback" not in run.stderr


def test_the_output_never_replaces_the_records(demo_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = sorted(path.name for path in demo_folder.iterdir())
    assert main(["report", str(demo_folder), "--out", str(demo_folder)]) == 1
    assert sorted(path.name for path in demo_folder.iterdir()) == before


def test_report_writes_every_table_of_the_contract(written: Path, demo_folder: Path) -> None:
    names = {"cylinder_effects": "cylinders", "policies": "schemes"}
    for table in nomenclature.TABLES_OUT:
        path = written / f"{names.get(table, table)}.csv"
        assert path.is_file(), f"{path.name} is missing"
        heading = list(pd.read_csv(path, nrows=0).columns)
        missing = [name for name in nomenclature.columns(table) if name not in heading]
        assert not missing, f"{path.name} lacks {missing}"
    sensors = pd.read_csv(demo_folder / "sensors.csv", dtype=str)["sensor_id"]
    for table in ("forecast", "plan"):
        assert sorted(pd.read_csv(written / f"{table}.csv", dtype=str)["sensor_id"]) == sorted(sensors)


def test_the_summary_is_five_to_ten_lines_and_quiet_off_a_terminal(tiny_fleet: Path, tmp_path: Path) -> None:
    run = _run("plan", str(tiny_fleet), "--out", str(tmp_path / "out"))
    assert run.returncode == 0, run.stderr
    assert run.stderr == ""
    lines = run.stdout.splitlines()
    assert 5 <= len(lines) <= 10
    assert "not a proof of function" in run.stdout


@pytest.mark.usefixtures("fitted_once")
def test_the_bench_screen_fits_a_screen(tiny_fleet: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sensor = pd.read_csv(tiny_fleet / "sensors.csv", dtype=str)["sensor_id"].iloc[0]
    assert main(["bench", str(tiny_fleet), "--sensor", sensor]) == 0
    shown = capsys.readouterr().out
    assert sensor in shown and len(shown.splitlines()) <= 24
    assert main(["bench", str(tiny_fleet), "--sensor", "no such sensor"]) == 1


@pytest.mark.usefixtures("fitted_once")
def test_lots_can_be_compared_by_another_column(tiny_fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lots", str(tiny_fleet), "--by", "site", "--out", str(tmp_path / "sites")]) == 0
    assert "q_value" in capsys.readouterr().out
    names = {path.stem for path in (tmp_path / "sites").glob("*.csv")}
    assert names == {"lots", "lot_pairs", "lot_ranks", "study_plan"}
    assert main(["lots", str(tiny_fleet), "--by", "colour"]) == 1
    assert "colour" in capsys.readouterr().err


@pytest.mark.usefixtures("fitted_once")
def test_two_policies_stand_side_by_side(tiny_fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same fleet under two risks: figures in columns, over the months of the shorter budget, with honest bands."""
    paths = [tmp_path / "first.toml", tmp_path / "second.toml"]
    for path, text in zip(paths, ("budget_months = 18\n", "risk = 0.002\n")):
        path.write_text(text)
    assert main(["compare-policies", str(tiny_fleet), *map(str, paths)]) == 0
    lines = {line.split("  ")[0]: line.split()[-2:] for line in capsys.readouterr().out.splitlines() if "  " in line}
    assert lines["Months that the row covers (months)"] == ["18", "18"]
    failures = [float(value) for value in lines["Expected ends in service (sensors)"]]
    assert failures[1] <= failures[0]


@pytest.mark.usefixtures("fitted_once")
def test_policies_with_different_margins_have_a_forecast_each(
    small_fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A margin ends every sensor earlier: more replacements."""
    paths = [tmp_path / "first.toml", tmp_path / "second.toml"]
    for path, text in zip(paths, ("budget_months = 12\n", "margin = 0.2\n")):
        path.write_text(text)
    assert main(["compare-policies", str(small_fleet), *map(str, paths)]) == 0
    lines = {line.split("  ")[0]: line.split()[-2:] for line in capsys.readouterr().out.splitlines() if "  " in line}
    count = [float(value) for value in lines["Expected replacements (sensors)"]]
    assert count[1] > count[0]
    assert lines["Months that the row covers (months)"] == ["12", "12"]


@pytest.mark.usefixtures("fitted_once")
def test_names_in_the_policy_that_no_sensor_has_are_told_with_the_plan(
    tiny_fleet: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    policy = tmp_path / "policy.toml"
    policy.write_text('[sites."Nowhere"]\nvisit_cost = 100\n')
    assert main(["plan", str(tiny_fleet), "--policy", str(policy), "--out", str(tmp_path / "out")]) == 0
    assert "Note: the policy names the site 'Nowhere', which no sensor in the records has" in capsys.readouterr().out


def test_the_printed_policy_is_one_that_can_be_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["policy", "--defaults"]) == 0
    path = tmp_path / "policy.toml"
    path.write_text(capsys.readouterr().out)
    assert main(["policy", "--check", str(path)]) == 0
    path.write_text("risk = 7\n")
    assert main(["policy", "--check", str(path)]) == 1
    assert "risk" in capsys.readouterr().err


def test_simulate_is_reproducible_byte_for_byte(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("one", "two"):
        assert main(["simulate", "--out", str(tmp_path / name), "--sensors", "40", "--seed", "3"]) == 0
    files = sorted(path.relative_to(tmp_path / "one") for path in (tmp_path / "one").rglob("*") if path.is_file())
    assert files
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes()
    assert "invented" in capsys.readouterr().out
