"""A fleet in Parquet is cut into whole regions, and no row disappears between them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth.errors import RecordsError
from sensorhealth.records import Fleet, read_fleet
from sensorhealth.records.shards import Shards, cut_in_shards, sensors_in_parquet
from sensorhealth.synthetic.large import write_large

TABLES = ("sensors", "calibrations", "cylinders")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six regions of 40 sensors, one kind in each."""
    return write_large(tmp_path_factory.mktemp("large") / "fleet", 240, 6, region=40, cylinder_uses=20, seed=31)


def _by_year(folder: Path, to: Path) -> Path:
    """The same fleet with its calibrations in one file for each year, in the order of time, ids as plain text."""
    to.mkdir()
    for name in ("sensors", "cylinders"):
        pd.read_parquet(folder / f"{name}.parquet").to_parquet(to / f"{name}.parquet", index=False)
    table = pd.read_parquet(folder / "calibrations.parquet").sort_values("time", kind="stable")
    text = [name for name in table if isinstance(table[name].dtype, pd.CategoricalDtype)]
    table = table.astype(dict.fromkeys(text, str))
    (to / "calibrations").mkdir()
    for year, part in table.groupby(table["time"].dt.year):
        part.to_parquet(to / "calibrations" / f"{year}.parquet", index=False)
    return to


def _all(shards: Shards) -> list[Fleet]:
    return [shards.read(number) for number in range(shards.count)]


def _together(parts: list[Fleet], name: str) -> pd.DataFrame:
    return pd.concat([getattr(part, name) for part in parts]).sort_values("row", ignore_index=True)


@pytest.mark.parametrize("by_year", [False, True])
def test_shards_together_are_the_fleet_row_by_row(folder: Path, tmp_path: Path, by_year: bool) -> None:
    where = _by_year(folder, tmp_path / "by_year") if by_year else folder
    parts = _all(cut_in_shards(where, 80))
    whole = read_fleet(where)
    assert len(parts) == 3
    for name in TABLES:
        expected = getattr(whole, name).sort_values("row", ignore_index=True)
        pd.testing.assert_frame_equal(_together(parts, name), expected)


def test_sites_that_share_a_cylinder_stay_together(folder: Path, tmp_path: Path) -> None:
    where = _by_year(folder, tmp_path / "tied")
    path = sorted((where / "calibrations").iterdir())[0]
    table = pd.read_parquet(path)
    first, last = table["sensor_id"].min(), table["sensor_id"].max()
    own = table.loc[table["sensor_id"] == first, "cylinder_id"].iloc[0]
    table.loc[table["sensor_id"] == last, "cylinder_id"] = own
    table.to_parquet(path, index=False)
    shards = cut_in_shards(where, 40)
    parts = _all(shards)
    assert sorted(len(part.sensors) for part in parts) == [40, 40, 40, 40, 80]
    met = [set(part.calibrations["cylinder_id"]) for part in parts]
    assert all(not (a & b) for number, a in enumerate(met) for b in met[number + 1 :])
    assert all(set(part.calibrations["cylinder_id"]) <= set(part.cylinders["cylinder_id"]) for part in parts)


def test_a_row_of_no_known_sensor_and_an_unused_cylinder_are_told_of_once(folder: Path, tmp_path: Path) -> None:
    where = _by_year(folder, tmp_path / "strays")
    path = sorted((where / "calibrations").iterdir())[0]
    table = pd.read_parquet(path)
    table.loc[len(table)] = {**table.iloc[0].to_dict(), "sensor_id": "nobody"}
    table.to_parquet(path, index=False)
    gas = pd.read_parquet(where / "cylinders.parquet")
    gas.loc[len(gas)] = {**gas.iloc[0].to_dict(), "cylinder_id": "never used"}
    gas.to_parquet(where / "cylinders.parquet", index=False)
    parts = _all(cut_in_shards(where, 80))
    account = pd.concat([part.reconciliation for part in parts]).groupby("table")[["rows_in", "rows_used"]].sum()
    whole = read_fleet(where).reconciliation.set_index("table")
    assert account["rows_in"].to_dict() == whole["rows_in"].to_dict()
    assert account["rows_used"].to_dict() == whole["rows_used"].to_dict()
    findings = pd.concat([part.findings for part in parts])
    assert (findings["value"] == "nobody").sum() == (read_fleet(where).findings["value"] == "nobody").sum() == 1


def test_ids_that_differ_in_case_and_spaces_are_read_as_in_one_piece(folder: Path, tmp_path: Path) -> None:
    where = _by_year(folder, tmp_path / "spelt")
    path = sorted((where / "calibrations").iterdir())[0]
    table = pd.read_parquet(path)
    last = table["sensor_id"].max()
    table.loc[table["sensor_id"] == last, "sensor_id"] = f" {last.lower()} "
    table.to_parquet(path, index=False)
    parts = _all(cut_in_shards(where, 80))
    pd.testing.assert_frame_equal(
        _together(parts, "calibrations"), read_fleet(where).calibrations.sort_values("row", ignore_index=True)
    )


def test_some_sensors_are_whole_regions_of_every_kind(folder: Path) -> None:
    shards = cut_in_shards(folder, 80)
    some = shards.some(10, 5)
    kinds = pd.read_parquet(folder / "sensors.parquet").groupby(["technology", "gas"]).size()
    assert some.sensors.groupby(["technology", "gas"]).size().to_dict() == dict.fromkeys(kinds.index, 40)
    assert len(shards.some(10_000, 5).sensors) == 240
    again = shards.some(10, 5)
    pd.testing.assert_frame_equal(some.sensors, again.sensors)


def test_what_is_not_in_parquet_is_refused_with_a_way_out(folder: Path, tmp_path: Path) -> None:
    pd.read_parquet(folder / "sensors.parquet").to_csv(tmp_path / "sensors.csv", index=False)
    pd.read_parquet(folder / "calibrations.parquet").to_csv(tmp_path / "calibrations.csv", index=False)
    with pytest.raises(RecordsError, match="in Parquet"):
        cut_in_shards(tmp_path, 80)
    assert sensors_in_parquet(tmp_path) == 0
    assert sensors_in_parquet(folder) == 240


def test_the_last_moment_is_that_of_all_shards(folder: Path) -> None:
    assert cut_in_shards(folder, 80).last == np.max(read_fleet(folder).calibrations["time"])
