"""The whole main job of very large fleets, shard by shard from Parquet to the tables: seconds, memory, and the physical limit.

    python benchmarks/large_job.py                                   100 000 invented sensors x 20
    python benchmarks/large_job.py --sensors 1000000 --out large.csv

Fleets are written to Parquet region by region, 2 500 sensors to a region with its own cylinders. The job is
`sensorhealth.sharded.report_in_shards` in a process of its own with two processes below it, each on one thread. megabytes: the
largest sum of the resident memory of all of them, looked at four times a second (Linux). The peer, in the same run: pyarrow
reading every byte of the same files once. A table is printed and, with --out, written as CSV.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import pandas as pd

ROOT = Path(__file__).resolve().parent.parent
JOB = """
import json, os, sys, time
from sensorhealth.sharded import report_in_shards
if __name__ == "__main__":
    begun, steps, last = time.perf_counter(), {}, ["regions", time.perf_counter()]
    def step(name):
        now = time.perf_counter()
        steps[last[0]] = steps.get(last[0], 0.0) + now - last[1]
        last[:] = ["shards" if name.startswith("shard ") or name == "working through the shards" else
                   "tables" if name == "writing" else "regions" if name.startswith("looking for regions") else "learning", now]
    report_in_shards(sys.argv[1], sys.argv[2], sensors=int(sys.argv[3]), processes=int(sys.argv[4]), progress=step)
    step("")
    spent = os.times()
    print(json.dumps({**{k: round(v, 1) for k, v in steps.items()}, "seconds": time.perf_counter() - begun,
                      "processor seconds": spent.user + spent.system + spent.children_user + spent.children_system}))
"""
BYTES_ONCE = """
import json, sys, time
from pathlib import Path
import pyarrow.parquet
begun = time.perf_counter()
rows = 0
for path in sorted(Path(sys.argv[1]).glob("*.parquet")):
    with pyarrow.parquet.ParquetFile(path) as file:
        for group in range(file.num_row_groups):
            size = file.read_row_group(group).num_rows
            rows += size if path.stem == "calibrations" else 0
print(json.dumps({"rows": rows, "bytes read once": time.perf_counter() - begun}))
"""


def job(sensors: int, readings: int, seed: int, shard: int, processes: int) -> dict[str, Any]:
    """One row of the table."""
    from sensorhealth.synthetic.large import write_large

    with tempfile.TemporaryDirectory() as place:
        records = write_large(Path(place) / "fleet", sensors, readings, seed=seed)
        limit, _ = measured(Path(place), BYTES_ONCE, str(records))
        found, megabytes = measured(Path(place), JOB, str(records), str(Path(place) / "out"), str(shard), str(processes))
        written = len(pd.read_csv(Path(place) / "out" / "forecast.csv", usecols=["sensor_id"]))
    row = {"sensors": sensors, "seed": seed, **limit, **found, "megabytes": megabytes, "rows of the forecast": written}
    return row | {"times the limit": found["seconds"] / limit["bytes read once"]}


def measured(place: Path, program: str, *arguments: str) -> tuple[dict[str, Any], float]:
    """What a program, in a process of its own, says of itself, and the largest memory of it and those below it."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}
    path, most = place / "job.py", 0.0
    path.write_text(program, encoding="utf-8")  # a file, since processes that it starts read it again
    with subprocess.Popen([sys.executable, str(path), *arguments], env=environment, stdout=subprocess.PIPE, text=True) as run:
        while run.poll() is None:
            most = max(most, sum(resident(number) for number in family(run.pid)))
            time.sleep(0.25)
        said = run.stdout.read() if run.stdout else ""
    if run.returncode:
        raise SystemExit(f"the job ended with {run.returncode}")
    result: dict[str, Any] = json.loads(said.strip().splitlines()[-1])
    return result, most


def family(number: int) -> list[int]:
    """The process and all below it."""
    try:
        below = Path(f"/proc/{number}/task/{number}/children").read_text().split()
    except OSError:
        return []
    return [number, *(one for child in below for one in family(int(child)))]


def resident(number: int) -> float:
    """Resident memory of one process, MB."""
    try:
        return int(Path(f"/proc/{number}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20
    except (OSError, IndexError):
        return 0.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sensors", type=int, nargs="*", default=[100_000])
    parser.add_argument("--readings", type=int, default=20)
    parser.add_argument("--seed", type=int, default=20260301)
    parser.add_argument("--shard", type=int, default=25_000, help="sensors of a shard")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    table = pd.DataFrame([job(n, options.readings, options.seed, options.shard, options.processes) for n in options.sensors])
    if options.out:
        table.to_csv(options.out, index=False)
    print(table.set_index("sensors").T.to_string(float_format="{:.2f}".format))


if __name__ == "__main__":
    main()
