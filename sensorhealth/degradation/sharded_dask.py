"""The fit on a Dask cluster, from partitioned Parquet or a Dask data frame. Needs the extra `distributed`."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from sensorhealth.degradation.elimination_tree import Skeleton
from sensorhealth.degradation.reml_data import (
    CrossedClass,
    CrossedData,
    Method,
    Penalty,
    RandomEffects,
    VarianceParameters,
)
from sensorhealth.degradation.reml_layout import Plan
from sensorhealth.degradation.sharded import Borders, Shard, Survey, borders, driver_layout, make_plan, survey
from sensorhealth.degradation.sharded_fit import TOLERANCE, ShardedFit, fit_workers
from sensorhealth.errors import FitError

T = TypeVar("T")
MISSING = (
    "fitting on a Dask cluster needs the extra 'distributed': install sensorhealth[distributed], "
    "or fit in memory with sensorhealth.degradation.reml.fit"
)


@dataclass(frozen=True)
class ReadingColumns:
    """Which column of the partitions is what.

    fixed: columns of the fixed effects, "1" standing for a column of ones. classes: name of a crossed class -> column
    whose values tell its effects apart (missing = none).
    """

    sensor: str = "sensor"
    y: str = "y"
    g: str = "g"
    fixed: tuple[str, ...] = ("1", "g")
    classes: Mapping[str, str] = field(default_factory=lambda: {"cylinder": "cylinder"})
    weights: str | None = None
    random: RandomEffects = "intercept+slope"


@dataclass(frozen=True)
class DaskFit:
    """A fit over partitions: the estimates, and what the columns of each class are called."""

    fit: ShardedFit
    levels: dict[str, pd.Index[Any]]

    def crossed(self) -> dict[str, pd.DataFrame]:
        """Per class: effect and its standard error by level."""
        return {
            name: pd.DataFrame({"effect": mean, "std_error": np.sqrt(variance)}, index=self.levels[name])
            for name, (mean, variance) in self.fit.crossed.items()
        }


def to_arrays(frame: pd.DataFrame, columns: ReadingColumns, levels: Mapping[str, pd.Index[Any]]) -> CrossedData:
    """A partition as the kernel's arrays, sorted by sensor and g."""
    frame = frame.sort_values([columns.sensor, columns.g], kind="stable")
    sensor = frame[columns.sensor].to_numpy()
    edges = np.flatnonzero(sensor[1:] != sensor[:-1]) + 1
    offsets = np.concatenate(([0], edges, [len(frame)])) if len(frame) else np.zeros(1, dtype=np.int64)
    ones = np.ones(len(frame))
    x = [ones if name == "1" else frame[name].to_numpy(float) for name in columns.fixed]
    classes = tuple(
        CrossedClass(name, levels[name].get_indexer(pd.Index(frame[column])).astype(np.int64), None, len(levels[name]))
        for name, column in columns.classes.items()
    )
    return CrossedData(
        frame[columns.y].to_numpy(float),
        np.column_stack(x) if x else np.empty((len(frame), 0)),
        offsets.astype(np.int64),
        frame[columns.g].to_numpy(float),
        None if columns.weights is None else frame[columns.weights].to_numpy(float),
        classes,
        columns.random,
    )


def _read(path: str, columns: ReadingColumns) -> pd.DataFrame:
    wanted = {columns.sensor, columns.y, columns.g, *columns.fixed, *columns.classes.values()} - {"1"}
    wanted |= {columns.weights} if columns.weights is not None else set()
    return pd.read_parquet(path, columns=sorted(wanted))


def _names(frame: pd.DataFrame, columns: ReadingColumns) -> tuple[Any, dict[str, Any]]:
    """Hashes of the partition's sensors, and the levels of each class in it."""
    sensors = pd.util.hash_array(frame[columns.sensor].drop_duplicates().to_numpy())
    return sensors, {name: frame[column].dropna().unique() for name, column in columns.classes.items()}


def _survey(frame: pd.DataFrame, columns: ReadingColumns, levels: Mapping[str, Any], brownian: bool) -> Survey:
    return survey(to_arrays(frame, columns, levels), brownian=brownian)


def _borders(frame: pd.DataFrame, columns: ReadingColumns, levels: Mapping[str, Any], skeleton: Skeleton) -> Borders:
    return borders(to_arrays(frame, columns, levels), skeleton)


def _shard(frame: pd.DataFrame, columns: ReadingColumns, levels: Mapping[str, Any], plan: Plan, brownian: bool) -> Shard:
    return Shard(to_arrays(frame, columns, levels), plan, brownian)


def _add(first: Any, second: Any) -> Any:
    return first + second


class OnCluster:
    """Shards as futures of a Dask client; sums are added pairwise where the parts are."""

    def __init__(self, client: Any, shards: Sequence[Any]) -> None:
        self.client, self.shards = client, shards

    def _ask(self, function: Callable[..., T], arguments: tuple[Any, ...]) -> list[Any]:
        sent = [self.client.scatter(a, broadcast=True) if _is_large(a) else a for a in arguments]
        return [self.client.submit(function, shard, *sent, pure=False) for shard in self.shards]

    def total(self, function: Callable[..., T], *arguments: Any) -> T:
        parts = self._ask(function, arguments)
        while len(parts) > 1:
            paired = [self.client.submit(_add, a, b, pure=False) for a, b in zip(parts[::2], parts[1::2])]
            parts = paired + parts[2 * len(paired) :]
        return parts[0].result()  # type: ignore[no-any-return]

    def each(self, function: Callable[..., T], *arguments: Any) -> list[T]:
        return self.client.gather(self._ask(function, arguments))  # type: ignore[no-any-return]


def _is_large(argument: Any) -> bool:
    return not isinstance(argument, int | float | bool) and not (isinstance(argument, np.ndarray) and argument.size < 100)


@contextmanager
def _client(client: Any) -> Iterator[Any]:
    """The caller's client, one at the caller's address, or a local cluster that lives as long as the fit."""
    try:
        import distributed
    except ImportError as error:
        raise FitError(MISSING) from error
    if client is not None and not isinstance(client, str):
        yield client
    elif isinstance(client, str):
        with distributed.Client(client) as own:
            yield own
    else:
        with (
            distributed.LocalCluster(threads_per_worker=1, dashboard_address=":0") as cluster,
            distributed.Client(cluster) as own,
        ):
            yield own


def _partitions(source: Any, columns: ReadingColumns, client: Any) -> list[Any]:
    """Futures of the partitions' data frames."""
    if not isinstance(source, str | Path):
        return list(client.compute(source.to_delayed()))
    folder = Path(source)
    files = sorted(folder.glob("**/*.parquet")) if folder.is_dir() else [folder]
    if not files or not files[0].exists():
        raise FitError(f"no Parquet file found at {folder}")
    return [client.submit(_read, str(file), columns, pure=False) for file in files]


def fit_dask(
    source: Any,
    columns: ReadingColumns | None = None,
    *,
    method: Method = "REML",
    brownian: bool = False,
    penalty: Penalty | None = None,
    start: VarianceParameters | None = None,
    max_evaluations: int = 100,
    tolerance: float = TOLERANCE,
    client: Any = None,
) -> DaskFit:
    """The estimates of `reml.fit` from partitions on a Dask cluster, equal to those in memory.

    source: folder of Parquet files or a Dask data frame; every sensor's readings stand in one partition (partition by
    sensor). client: a `distributed.Client`, the address of a scheduler, or None for a local cluster that is started
    here and closed at the end. Raises FitError without the extra `distributed`, and where a sensor is split.
    """
    columns = columns or ReadingColumns()
    with _client(client) as cluster:
        frames = _partitions(source, columns, cluster)
        levels = _levels(cluster.gather([cluster.submit(_names, f, columns, pure=False) for f in frames]), columns)
        told = cluster.scatter(levels, broadcast=True)
        surveys = [cluster.submit(_survey, f, columns, told, brownian, pure=False) for f in frames]
        found: Survey = OnCluster(cluster, surveys).total(_itself)
        wanted = {columns.sensor, columns.y, columns.g, *columns.fixed, *columns.classes.values()} - {"1"}
        empty = pd.DataFrame({name: np.empty(0) for name in {*wanted, columns.weights or columns.y}})
        model = to_arrays(empty, columns, levels)
        skeleton = found.skeleton(model)
        sent = cluster.scatter(skeleton, broadcast=True)
        met = [cluster.submit(_borders, f, columns, told, sent, pure=False) for f in frames]
        plan = make_plan(skeleton, OnCluster(cluster, met).total(_itself), found)
        sent = cluster.scatter(plan, broadcast=True)
        shards = [cluster.submit(_shard, f, columns, told, sent, brownian, pure=False) for f in frames]
        del frames, surveys, met
        layout = driver_layout(model, plan)
        fit = fit_workers(
            OnCluster(cluster, shards),
            found,
            layout,
            method=method,
            brownian=brownian,
            penalty=penalty,
            start=start,
            max_evaluations=max_evaluations,
            tolerance=tolerance,
        )
        fit.evaluation.hessian  # noqa: B018  (asked now, while the shards are there)
        return DaskFit(fit, levels)


def _itself(value: T) -> T:
    return value


def _levels(named: Sequence[tuple[Any, dict[str, Any]]], columns: ReadingColumns) -> dict[str, pd.Index[Any]]:
    """Levels of every class over all partitions, sorted; no sensor may be in two partitions."""
    sensors = np.concatenate([part[0] for part in named])
    unique, count = np.unique(sensors, return_counts=True)
    if len(unique) < len(sensors):
        raise FitError(
            f"{int((count > 1).sum())} sensors have readings in more than one partition; "
            f"partition the readings by '{columns.sensor}'"
        )
    return {name: pd.Index(np.unique(np.concatenate([np.asarray(part[1][name]) for part in named]))) for name in columns.classes}
