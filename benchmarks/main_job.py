"""The whole main job, from files to written tables, step by step: seconds, memory, and how far off the physical limit.

    python benchmarks/main_job.py                            the demo fleet, and 1 000 and 5 000 invented sensors x 20
    python benchmarks/main_job.py --sensors 20000 --readings 20

Fleets are written to Parquet region by region, 2 500 sensors to a region with its own cylinders. Each job runs in a process
of its own, one after the other, on one thread. The peer, in the same run: pyarrow reading every byte of the same files once,
which nothing that looks at all records can beat. `grown` is the exponent with which the time grew since the row above.
A table is printed and, with --out, written as CSV.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parent.parent
JOB = """
import json, resource, sys, time
begun = time.perf_counter()
import sensorhealth
steps, last = {"import": time.perf_counter() - begun}, ["read", time.perf_counter()]
def step(name):
    now = time.perf_counter()
    steps[last[0]] = now - last[1]
    last[:] = [name, now]
fleet = sensorhealth.read_fleet(sys.argv[1])
analysis = sensorhealth.analyse(fleet, progress=step)
step("write")
analysis.write(sys.argv[2])
step("")
print(json.dumps({"sensors": len(fleet.sensors), "rows": len(fleet.calibrations), **{k: round(v, 2) for k, v in steps.items()},
                  "seconds": time.perf_counter() - begun,
                  "megabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""
BYTES_ONCE = """
import json, sys, time
from pathlib import Path
import pyarrow.csv, pyarrow.parquet
begun = time.perf_counter()
for path in sorted(Path(sys.argv[1]).glob("*.*")):
    if path.suffix in (".csv", ".parquet"):
        (pyarrow.csv.read_csv if path.suffix == ".csv" else pyarrow.parquet.read_table)(path)
print(json.dumps({"bytes read once": time.perf_counter() - begun}))
"""


def measured(program: str, *arguments: str) -> dict[str, Any]:
    """What a program, in a process of its own on one thread, says of itself."""
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments], env=environment, capture_output=True, text=True, check=True
    )  # fmt: skip
    result: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return result


def job(name: str, records: Path) -> dict[str, Any]:
    """One row of the table."""
    with tempfile.TemporaryDirectory() as place:
        limit = measured(BYTES_ONCE, str(records))
        found = measured(JOB, str(records), str(Path(place) / "out"))
    return {"fleet": name, **found, **limit, "times the limit": found["seconds"] / limit["bytes read once"]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sensors", type=int, nargs="*", default=[1_000, 5_000])
    parser.add_argument("--readings", type=int, default=20)
    parser.add_argument("--no-demo", action="store_true", help="leave the demo fleet out")
    parser.add_argument("--out", type=Path)
    options = parser.parse_args()
    sys.path.insert(0, str(ROOT))
    from sensorhealth.synthetic.large import write_large

    rows = [] if options.no_demo else [job("demo", ROOT / "data" / "synthetic")]
    for count in options.sensors:
        with tempfile.TemporaryDirectory() as place:
            rows.append(job(f"{count} sensors", write_large(Path(place) / "fleet", count, options.readings)))
    table = pd.DataFrame(rows)
    table["grown"] = np.log(table["seconds"]).diff() / np.log(table["rows"]).diff()
    if options.out:
        table.to_csv(options.out, index=False)
    print(table.set_index("fleet").T.to_string(float_format="{:.2f}".format))


if __name__ == "__main__":
    main()
