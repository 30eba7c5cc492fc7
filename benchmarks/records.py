"""Reading records: seconds and memory for millions of rows, beside pandas reading the same file without looking at it.

Run: python benchmarks/records.py [--rows 5000000] [--kind csv|parquet]
Each reading runs in a process of its own; the ratio is this package's time over that of pandas in the same run.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as arrow_csv
import pyarrow.parquet as parquet

PIECE = 1_000_000
VISITS = 40
GASES = np.array(["H2S", "CO", "CH4", "O2"])
APPLIED = np.array([25.0, 100.0, 50.0, 20.9])
UNITS = np.array(["ppm", "ppm", "%LEL", "%vol"])
TECHNOLOGIES = np.array(["electrochemical", "electrochemical", "catalytic bead", "galvanic oxygen"])

OURS = """
import json, resource, sys, time
start = time.perf_counter()
from sensorhealth.records import read_fleet
fleet = read_fleet(sys.argv[1])
print(json.dumps({"seconds": time.perf_counter() - start, "processor": time.process_time(),
                  "rows": len(fleet.calibrations), "findings": len(fleet.findings),
                  "gigabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20}))
"""
PANDAS = """
import json, resource, sys, time
from pathlib import Path
start = time.perf_counter()
import pandas as pd
path = next(Path(sys.argv[1]).glob("calibrations.*"))
frame = pd.read_csv(path, parse_dates=["time"]) if path.suffix == ".csv" else pd.read_parquet(path)
frame = frame.sort_values(["sensor_id", "time"])
print(json.dumps({"seconds": time.perf_counter() - start, "processor": time.process_time(), "rows": len(frame),
                  "gigabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20}))
"""


def piece(start: int, count: int, cylinders: int, rng: np.random.Generator) -> pa.Table:
    """Rows `start` to `start + count` of the calibrations: VISITS for each sensor, a month apart."""
    sensor, visit = np.divmod(np.arange(start, start + count), VISITS)
    applied = APPLIED[sensor % 4]
    ratio = np.exp(0.8 - 0.1 * visit / 12 + rng.normal(0, 0.03, count))
    cylinder = (sensor * 7919 + visit // 6) % cylinders
    cylinder += sensor % 4 - cylinder % 4
    seconds = visit * 30 * 86400 + rng.integers(0, 40_000, count)
    return pa.table(
        {
            "sensor_id": np.char.add("S", np.char.zfill(sensor.astype(str), 7)),
            "time": np.datetime64("2018-02-01", "s") + seconds.astype("timedelta64[s]"),
            "kind": np.full(count, "full"),
            "cylinder_id": np.char.add("C", cylinder.astype(str)),
            "applied": applied,
            "zero_offset": np.round(rng.normal(0, 0.01, count) * applied, 3),
            "as_found": np.round(applied * (1 + rng.normal(0, 0.04, count)), 2),
            "as_left": applied,
            "span_gain": np.round(4 / ratio, 4),
            "headroom": np.round(ratio * applied, 2),
            "response_seconds": np.round(20 + rng.normal(0, 3, count), 1),
            "temperature_c": np.round(18 + rng.normal(0, 4, count), 1),
            "humidity_pct": np.round(50 + rng.normal(0, 8, count).clip(-40, 40), 1),
            "outcome": np.where(ratio > 1, "pass", "fail"),
            "technician": np.char.add("T", (sensor % 40).astype(str)),
        }
    )


def make(folder: Path, rows: int, kind: str) -> None:
    """A fleet of `rows` calibrations in `folder`, written piece by piece."""
    rng = np.random.default_rng(1)
    sensors, cylinders = np.arange(max(rows // VISITS, 1)), np.arange(max(rows // 400, 1) * 4)
    pd.DataFrame(
        {
            "sensor_id": np.char.add("S", np.char.zfill(sensors.astype(str), 7)), "gas": GASES[sensors % 4],
            "technology": TECHNOLOGIES[sensors % 4], "installed": pd.Timestamp("2018-01-01"), "unit": UNITS[sensors % 4],
            "site": np.char.add("site ", (sensors % 200).astype(str)), "lot": np.char.add("L", (sensors % 300).astype(str)),
            "lel_basis": np.where(sensors % 4 == 2, 4.4, np.nan),
        }
    ).to_parquet(folder / "sensors.parquet")  # fmt: skip
    pd.DataFrame(
        {
            "cylinder_id": np.char.add("C", cylinders.astype(str)), "gas": GASES[cylinders % 4],
            "concentration": APPLIED[cylinders % 4], "opened": pd.Timestamp("2018-01-01"),
            "expires": pd.Timestamp("2030-01-01"),
        }
    ).to_parquet(folder / "cylinders.parquet")  # fmt: skip
    starts = range(0, len(sensors) * VISITS, PIECE)
    schema = piece(0, 1, len(cylinders), rng).schema
    path = folder / f"calibrations.{kind}"
    with parquet.ParquetWriter(path, schema) if kind == "parquet" else arrow_csv.CSVWriter(path, schema) as writer:
        for start in starts:
            count = min(PIECE, len(sensors) * VISITS - start)
            writer.write_table(piece(start, count, len(cylinders), rng))


def measured(program: str, folder: Path) -> dict[str, float]:
    """What one reading in a process of its own says of itself."""
    root = Path(__file__).resolve().parent.parent
    done = subprocess.run([sys.executable, "-c", program, str(folder)], cwd=root, capture_output=True, text=True, check=True)
    result: dict[str, float] = json.loads(done.stdout)
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=5_000_000)
    parser.add_argument("--kind", choices=["csv", "parquet"], default="csv")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        make(Path(place), options.rows, options.kind)
        peer, own = measured(PANDAS, Path(place)), measured(OURS, Path(place))
    print(f"{own['rows']:.0f} rows of {options.kind}, {own['findings']:.0f} findings")
    for name, result in (("pandas, reading and sorting only", peer), ("this package, read and checked", own)):
        print(
            f"{name:34s} {result['seconds']:8.1f} s on the clock, {result['processor']:8.1f} s of processor, "
            f"{result['gigabytes']:6.2f} GB"
        )
    clock, processor = (own[kind] / peer[kind] for kind in ("seconds", "processor"))
    print(f"ratio of times {clock:.2f} on the clock, {processor:.2f} of processor")


if __name__ == "__main__":
    main()
