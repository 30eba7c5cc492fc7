"""The fit on a Dask cluster gives the estimates of the fit in memory to eight digits."""

from __future__ import annotations

import builtins
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from drawn_fleets import regional_fleet

from sensorhealth.degradation import sharded_dask
from sensorhealth.degradation.reml import CrossedClass, CrossedData, fit
from sensorhealth.degradation.sharded_dask import ReadingColumns, fit_dask
from sensorhealth.errors import FitError

COLUMNS = ReadingColumns(fixed=("1", "g", "batch"), classes={"gas": "cylinder", "session": "session"}, weights="weight")


@pytest.fixture(scope="module")
def client() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=False, dashboard_address=":0") as cluster,
        distributed.Client(cluster) as own,
    ):
        yield own


def frame_of(data: CrossedData) -> pd.DataFrame:
    sensor = np.repeat(np.arange(data.sensors), np.diff(data.offsets))
    gas, session = data.classes[0].index, data.classes[1].index
    return pd.DataFrame(
        {
            "sensor": [f"S{i:05d}" for i in sensor],
            "y": data.y,
            "g": data.g,
            "batch": data.x[:, 2],
            "cylinder": [f"C{i:04d}" for i in gas],
            "session": [f"D{i:04d}" if i >= 0 else None for i in session],
            "weight": data.weights,
        }
    )


def plain(data: CrossedData) -> CrossedData:
    """Without known scales, which frames do not carry, and without columns that no reading touches."""
    classes = []
    for c in data.classes:
        used, index = np.unique(c.index, return_inverse=True)
        without = int(used[0] == -1)
        classes.append(CrossedClass(c.name, index - without, None, len(used) - without))
    return CrossedData(data.y, data.x, data.offsets, data.g, data.weights, tuple(classes))


@pytest.mark.parametrize("brownian", [False, True])
def test_parquet_on_a_cluster_gives_the_estimates_in_memory_to_eight_digits(client, tmp_path: Path, brownian):
    data = plain(regional_fleet(400, sessions=True))
    frame = frame_of(data)
    for number, (_, part) in enumerate(frame.groupby(frame["sensor"].str[-1])):
        part.sample(frac=1.0, random_state=number).to_parquet(tmp_path / f"part-{number}.parquet")
    whole = fit(data, brownian=brownian)
    found = fit_dask(tmp_path, COLUMNS, brownian=brownian, client=client).fit
    assert found.converged
    assert found.deviance == pytest.approx(whole.deviance, rel=1e-12)
    np.testing.assert_allclose(found.beta, whole.beta, rtol=1e-8)
    np.testing.assert_allclose(found.beta_covariance, whole.beta_covariance, rtol=1e-8, atol=1e-8 * 1e-6)
    ours, theirs = found.parameters, whole.parameters
    assert ours.residual == pytest.approx(theirs.residual, rel=1e-8)
    np.testing.assert_allclose(ours.sensor, theirs.sensor, rtol=1e-8)
    assert ours.brownian == pytest.approx(theirs.brownian, rel=1e-8, abs=1e-12)
    for name in ("gas", "session"):
        assert ours.crossed[name] == pytest.approx(theirs.crossed[name], rel=1e-8)
        np.testing.assert_allclose(found.crossed[name][0], whole.crossed[name][0], rtol=1e-6, atol=1e-9)


def test_dask_frame_is_fitted_partition_by_partition(client):
    dask = pytest.importorskip("dask.dataframe")
    data = plain(regional_fleet(200, sessions=True))
    frame = frame_of(data).set_index("sensor")
    parts = dask.from_pandas(frame, npartitions=4).reset_index()
    found = fit_dask(parts, COLUMNS, client=client)
    assert found.fit.deviance == pytest.approx(fit(data).deviance, rel=1e-10)
    gas = found.crossed()["gas"]
    assert list(gas.index) == sorted(gas.index) and (gas["std_error"] > 0).all()


def test_a_sensor_in_two_partitions_is_refused(client, tmp_path: Path):
    frame = frame_of(plain(regional_fleet(30, sessions=True)))
    frame.iloc[::2].to_parquet(tmp_path / "a.parquet")
    frame.iloc[1::2].to_parquet(tmp_path / "b.parquet")
    with pytest.raises(FitError, match="partition the readings by 'sensor'"):
        fit_dask(tmp_path, COLUMNS, client=client)


def test_a_local_cluster_starts_by_itself_and_is_closed(monkeypatch, tmp_path: Path):
    distributed = pytest.importorskip("distributed")
    started = []

    def in_threads(**settings: Any) -> Any:  # processes would only cost time here
        started.append(real(processes=False, n_workers=1, **settings))
        return started[-1]

    real = distributed.LocalCluster
    monkeypatch.setattr(distributed, "LocalCluster", in_threads)
    data = plain(regional_fleet(60, sessions=True))
    frame = frame_of(data)
    half = frame["sensor"] < "S00030"
    frame[half].to_parquet(tmp_path / "a.parquet")
    frame[~half].to_parquet(tmp_path / "b.parquet")
    assert fit_dask(tmp_path, COLUMNS).fit.deviance == pytest.approx(fit(data).deviance, rel=1e-10)
    assert [cluster.status.name for cluster in started] == ["closed"]


def test_without_the_extra_the_message_names_it(monkeypatch, tmp_path: Path):
    real = builtins.__import__

    def absent(name: str, *rest: Any, **more: Any) -> Any:
        if name == "distributed":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", absent)
    with pytest.raises(FitError, match="extra 'distributed'"):
        fit_dask(tmp_path, COLUMNS)
    assert "distributed" in sharded_dask.MISSING
