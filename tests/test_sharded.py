"""A fleet cut in shards against the same fleet in memory, and the same files for any number of processes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sensorhealth
from sensorhealth.analysis import Analysis
from sensorhealth.cli import main
from sensorhealth.errors import OutputError, RecordsError
from sensorhealth.sharded import BY_SHARD, _too_short, report_in_shards, too_large
from sensorhealth.synthetic.kinds import KINDS
from sensorhealth.synthetic.large import write_large

SENSORS, REGION = 600, 200


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three regions of one kind: each has cylinders of its own, all share the kind's ageing."""
    place = tmp_path_factory.mktemp("large") / "fleet"
    return write_large(place, SENSORS, 10, region=REGION, kinds=KINDS[:1], seed=412)


@pytest.fixture(scope="module")
def whole(folder: Path) -> Analysis:
    return sensorhealth.analyse(sensorhealth.read_fleet(folder))


@pytest.fixture(scope="module")
def out(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("out") / "one"
    report_in_shards(folder, found, sensors=REGION, processes=1)
    return found


def _read(out: Path, name: str) -> pd.DataFrame:
    return pd.read_csv(out / f"{name}.csv")


def test_no_sensor_and_no_row_disappears(whole: Analysis, out: Path) -> None:
    for name in ("forecast", "plan"):
        assert sorted(_read(out, name)["sensor_id"]) == sorted(whole.forecast["sensor_id"])
    rows = len(whole.fleet.calibrations)
    notes = (out / "notes.txt").read_text()
    assert f"calibrations: {rows} rows, {rows} used, 0 set aside" in notes
    assert "not a proof of function" in notes


def test_forecasts_are_those_of_the_fleet_in_memory(whole: Analysis, out: Path) -> None:
    """Quantiles of remaining life to a third of its standard deviation (rms), without bias; actions of 98 in a hundred.

    Lots and gas are told by each shard of 200 sensors and few cylinders alone here, so that what is said of single cylinders is
    left out; in shards of thousands it hardly differs.
    """
    own = whole.forecast.set_index("sensor_id")
    other = _read(out, "forecast").set_index("sensor_id").reindex(own.index)
    horizon = whole.policy.horizon_days
    for name in ("rul_days_p05", "rul_days_p50", "rul_days_p95"):
        inside = ((own[[name, "rul_days_p50"]].max(axis=1) < horizon) & (other[name] < horizon)).to_numpy()
        assert inside.sum() > (60 if name == "rul_days_p95" else 300)  # what lies beyond is written as the horizon, a width too
        sd = np.maximum((own["rul_days_p95"] - own["rul_days_p05"]) / 3.29, (own["rul_days_p50"] - own["rul_days_p05"]) / 1.645)
        sd = sd.to_numpy(float)[inside]
        apart = (other[name] - own[name]).to_numpy(float)[inside] / np.maximum(sd, 5.0)
        assert np.sqrt(np.mean(apart**2)) < 0.33, name
        assert abs(np.mean(apart)) < 0.15, name
    actions = whole.plan.set_index("sensor_id")["action"]
    told = _read(out, "plan").set_index("sensor_id")["action"].reindex(actions.index)
    gas = (actions == "check gas") | (told == "check gas")
    assert (~gas).mean() > 0.65
    assert (told == actions)[~gas].mean() > 0.98


def test_budget_and_schemes_are_those_of_the_fleet_in_memory(whole: Analysis, out: Path) -> None:
    """Expected counts differ little beside how sure they are, by an eighth of the width of their band; costs and P10 and P90 by
    10 %. Shards of 200 sensors tell lots and gas alone, and draw visits anew."""
    keys = ["month", "by", "group"]
    own, other = whole.budget.astype({"month": str}), _read(out, "budget")
    assert sorted(map(tuple, own[keys].to_numpy())) == sorted(map(tuple, other[keys].to_numpy()))
    for scheme, found in zip(whole.schemes.to_dict("records"), _read(out, "schemes").to_dict("records")):
        little = (scheme["p90_count"] - scheme["p10_count"]) / 8.0
        assert found["expected_count"] == pytest.approx(scheme["expected_count"], rel=0.002, abs=little)
        for name in ("expected_cost", "p10_count", "p90_count", "p10_cost", "p90_cost"):
            assert found[name] == pytest.approx(scheme[name], rel=0.1), name
    last = [table[(table["by"] == "fleet") & (table["month"] == table["month"].max())].iloc[0] for table in (own, other)]
    for what in ("expected_count", "p10_count", "p90_count"):
        assert last[1][f"cumulative_{what}"] == pytest.approx(whole.schemes[what].iloc[0], rel=0.1)
        assert last[0][f"cumulative_{what}"] == pytest.approx(whole.schemes[what].iloc[0])


def test_orders_visits_and_lots_are_those_of_the_fleet_in_memory(whole: Analysis, out: Path) -> None:
    """Orders within the root of what is ordered, by which demand scatters, and one more or less, which hangs on a hair."""
    ordered = whole.orders["quantity"].sum()
    assert abs(_read(out, "orders")["quantity"].sum() - ordered) <= np.sqrt(ordered) + 1
    assert abs(_read(out, "visits")["swaps"].sum() - whole.visits["swaps"].sum()) <= 0.02 * whole.visits["swaps"].sum() + 2
    lots = _read(out, "lots").set_index("lot")
    own = whole.lots_table.set_index("lot")
    assert lots["sensors_in_service"].to_dict() == own["sensors_in_service"].to_dict()
    claims = (lots["expected_claims"] - own["expected_claims"]).to_numpy(float)
    assert np.nanmax(np.abs(claims), initial=0.0) < 0.05 * float(np.nanmax(own["expected_claims"].to_numpy(float), initial=1.0))


def test_warranty_list_is_ranked_over_all_shards(out: Path) -> None:
    table = _read(out, "warranty")
    assert table["rank"].tolist() == list(range(1, len(table) + 1))
    assert not table["sensor_id"].duplicated().any()


def test_the_command_line_writes_the_same_files_with_two_processes(
    folder: Path, out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert not too_large(folder)
    assert main(["report", str(folder), "--out", str(tmp_path / "no"), "--shards", "200", "--track-record"]) == 1
    assert main(["report", str(folder), "--out", str(tmp_path / "two"), "--shards", str(REGION)]) == 0
    assert f"{SENSORS} rows, {SENSORS} used" in capsys.readouterr().out
    names = sorted(path.name for path in out.iterdir())
    assert names == sorted(path.name for path in (tmp_path / "two").iterdir())
    for name in names:
        assert (out / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name


def test_times_are_days_in_all_shards_or_in_none() -> None:
    """Whether a column holds whole days alone is known when all shards have been written."""
    days = [{name: {"sensor_id": False, "time": True, "due": True} for name in BY_SHARD} for _ in range(3)]
    assert not list(_too_short(days))
    days[1]["plan"]["time"] = False
    assert list(_too_short(days)) == [("plan", 0, [1]), ("plan", 2, [1])]


def test_what_cannot_be_done_is_told_before_anything_is_fitted(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="input"):
        report_in_shards(folder, folder / "out", sensors=REGION, processes=1)
    with pytest.raises(RecordsError, match="nothing was known"):
        report_in_shards(folder, tmp_path / "early", as_of="1999-01-01", sensors=REGION, processes=1)
    assert not list(tmp_path.iterdir())
