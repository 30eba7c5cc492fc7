"""Fleets of any size: drawn from the stated model, written region by region."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth.nomenclature import columns
from sensorhealth.synthetic import ModelSizes, simulate_arrays, write_large


def test_model_arrays_have_the_stated_moments() -> None:
    sizes = ModelSizes(correlation=0.5)
    data = simulate_arrays(20_000, 5, rng=np.random.default_rng(1), sizes=sizes)
    assert data.level.std() == pytest.approx(sizes.level_sd, rel=0.02)
    assert data.slope.mean() == pytest.approx(sizes.slope, abs=4 * sizes.slope_sd / np.sqrt(20_000))
    assert np.corrcoef(data.level, data.slope)[0, 1] == pytest.approx(0.5, abs=0.03)
    sensor = np.repeat(np.arange(20_000), 5)
    noise = data.y - data.level[sensor] - data.slope[sensor] * data.t - data.cylinder_effect[data.cylinder]
    assert noise.std() == pytest.approx(sizes.noise, rel=0.02)
    assert np.bincount(data.cylinder).max() <= 100


def test_cylinders_stay_within_their_region_and_serve_in_turn() -> None:
    data = simulate_arrays(400, 6, rng=np.random.default_rng(2), region=100)
    region = np.repeat(data.region, 6)
    frame = pd.DataFrame({"cylinder": data.cylinder, "region": region, "date": data.date})
    assert (frame.groupby("cylinder")["region"].nunique() == 1).all()
    spans = frame.groupby("cylinder")["date"].agg(["min", "max"])
    first = frame.groupby("cylinder")["region"].first()
    for _, group in spans.groupby(first):
        assert (group["min"].to_numpy()[1:] >= group["max"].to_numpy()[:-1]).all()


def test_large_fleet_is_the_contract_in_parquet_and_reproducible(tmp_path) -> None:
    for name in ("a", "b"):
        write_large(tmp_path / name, 900, 10, region=300, seed=3)
    for table in ("sensors", "calibrations", "cylinders"):
        frame = pd.read_parquet(tmp_path / "a" / f"{table}.parquet")
        assert set(frame.columns) <= set(columns(table))
        assert frame.equals(pd.read_parquet(tmp_path / "b" / f"{table}.parquet"))
    calibrations = pd.read_parquet(tmp_path / "a" / "calibrations.parquet")
    assert calibrations["sensor_id"].nunique() == 900
    assert calibrations["sensor_id"].astype(str).is_monotonic_increasing
    fails = calibrations[calibrations["outcome"] == "fail"]
    sensors = pd.read_parquet(tmp_path / "a" / "sensors.parquet").set_index("sensor_id")
    assert (sensors.loc[fails["sensor_id"].astype(str), "removal_reason"] == "worn").all()
    assert (calibrations.groupby("sensor_id", observed=True)["time"].diff().dropna() > pd.Timedelta(0)).all()
