"""Very large synthetic fleets, written to Parquet region by region so that memory stays small: for benchmarks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from sensorhealth.synthetic.arrays import ModelSizes, simulate_arrays
from sensorhealth.synthetic.kinds import KINDS, SensorKind

START = pd.Timestamp("2022-07-01")
YEAR = 365.25
DAY_US = 86_400_000_000


def write_large(
    directory: str | Path,
    n_sensors: int = 1_000_000,
    n_readings: int = 20,
    *,
    seed: int = 20260301,
    region: int = 2500,
    kinds: tuple[SensorKind, ...] = KINDS,
    cylinder_uses: int = 200,
) -> Path:
    """Write sensors.parquet, calibrations.parquet and cylinders.parquet of an invented fleet, one row group per region.

    Regions of `region` sensors share cylinders, one kind of sensor per region in turn; a sensor leaves after its
    first reading below 1 (reason worn). Rows are sorted by sensor and time. Memory does not grow with `n_sensors`.
    Returns the folder.
    """
    import pyarrow.parquet as pq

    out = Path(directory)
    out.mkdir(parents=True, exist_ok=True)
    (out / "INVENTED.txt").write_text("All data in this folder are invented.\n", encoding="utf-8")
    streams = np.random.SeedSequence(seed).spawn(-(-n_sensors // region))
    writers: dict[str, Any] = {}
    try:
        for number, stream in enumerate(streams):
            size = min(region, n_sensors - number * region)
            tables = _region(number, size, n_readings, kinds[number % len(kinds)], cylinder_uses, stream, region)
            for name, table in tables.items():
                if name not in writers:
                    writers[name] = pq.ParquetWriter(out / f"{name}.parquet", table.schema, compression="zstd")
                writers[name].write_table(table)
    finally:
        for writer in writers.values():
            writer.close()
    return out


def _region(
    number: int, size: int, n_readings: int, kind: SensorKind, uses: int, stream: np.random.SeedSequence, region: int
) -> dict[str, Any]:
    """Arrow tables of one region."""
    rng = np.random.default_rng(stream)
    sizes = ModelSizes(
        level=float(np.log(kind.level)) + 0.3, slope=-0.6 * kind.rate, level_sd=kind.level_spread,
        slope_sd=0.6 * kind.rate * kind.rate_spread, cylinder=kind.tolerance_pct / 200, noise=kind.noise,
        lot_slope=0.05 * kind.rate,
    )  # fmt: skip
    data = simulate_arrays(size, n_readings, rng=rng, sizes=sizes, region=None, cylinder_uses=uses, lots=4, interval_days=66.0)
    low = (data.y < 0.0).reshape(size, n_readings)
    failed = np.asarray(low.any(axis=1))
    last = np.where(failed, low.argmax(axis=1), n_readings - 1)
    keep = (np.arange(n_readings)[None, :] <= last[:, None]).ravel()
    sensor = np.repeat(np.arange(size), n_readings)[keep]
    time = START.value // 1000 + (data.date[keep] * YEAR * DAY_US).astype(np.int64)
    names = np.array([f"S{number * region + i + 1:07d}" for i in range(size)], object)
    gas_names = np.array([f"C{number:04d}-{i + 1:03d}" for i in range(data.cylinder_effect.size)], object)
    age = (data.t - data.date).reshape(size, n_readings)[:, 0]
    installed = (START - pd.to_timedelta(np.round(age * YEAR), unit="D")).as_unit("s")
    end = START + pd.to_timedelta(np.ceil(data.date.reshape(size, n_readings)[np.arange(size), last] * YEAR), unit="D")
    first_use = np.full(gas_names.size, np.inf)
    np.minimum.at(first_use, data.cylinder, data.date)
    return {
        "sensors": _sensors(number, kind, names, data.lot, installed, end.where(failed)),
        "calibrations": _calibrations(kind, names, gas_names, sensor, data.cylinder[keep], time, data.y[keep]),
        "cylinders": _cylinders(kind, gas_names, START + pd.to_timedelta(np.floor(first_use * YEAR), unit="D")),
    }


def _sensors(
    number: int, kind: SensorKind, names: np.ndarray, lot: np.ndarray, installed: pd.DatetimeIndex, removed: pd.Index
) -> Any:
    import pyarrow as pa

    gone = pd.DatetimeIndex(removed)
    frame = pd.DataFrame(
        {
            "sensor_id": names,
            "gas": kind.gas,
            "technology": kind.technology,
            "installed": installed.as_unit("us"),
            "unit": kind.unit,
            "site": f"Region {number + 1:04d}",
            "lot": [f"{kind.gas}-{number // 8 % 25:02d}{chr(65 + i)}" for i in lot],
            "model": kind.name,
            "warranty_end": (installed + pd.to_timedelta(round(kind.warranty_years * YEAR), unit="D")).as_unit("us"),
            "removed": gone.as_unit("us"),
            "removal_reason": np.where(gone.isna(), "", "worn"),
            "unit_cost": kind.price,
            "gain_limit": kind.gain_limit,
        }
    )
    return pa.Table.from_pandas(frame, preserve_index=False)


def _calibrations(
    kind: SensorKind,
    names: np.ndarray,
    gas_names: np.ndarray,
    sensor: np.ndarray,
    cylinder: np.ndarray,
    time: np.ndarray,
    y: np.ndarray,
) -> Any:
    import pyarrow as pa

    def words(index: np.ndarray, dictionary: np.ndarray | list[str]) -> Any:
        return pa.DictionaryArray.from_arrays(pa.array(index.astype(np.int32)), pa.array(dictionary, pa.string()))

    return pa.table(
        {
            "sensor_id": words(sensor, names),
            "time": pa.array(time, pa.timestamp("us")),
            "kind": words(np.zeros(y.size), ["full"]),
            "cylinder_id": words(cylinder, gas_names),
            "applied": pa.array(np.full(y.size, kind.applied)),
            "headroom": pa.array(np.round(kind.applied * np.exp(y), 3)),
            "outcome": words(y < 0.0, ["pass", "fail"]),
        }
    )


def _cylinders(kind: SensorKind, names: np.ndarray, opened: pd.DatetimeIndex) -> Any:
    import pyarrow as pa

    frame = pd.DataFrame(
        {
            "cylinder_id": names,
            "gas": kind.gas,
            "concentration": kind.applied,
            "tolerance_pct": kind.tolerance_pct,
            "opened": opened.as_unit("us"),
        }
    )
    return pa.Table.from_pandas(frame, preserve_index=False)
