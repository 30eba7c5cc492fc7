"""Time, memory and criterion of the crossed random-slope REML fit against R's lme4 and statsmodels' MixedLM.

    python benchmarks/ageing_fit.py                        1 000 and 10 000 sensors, against lme4
    python benchmarks/ageing_fit.py --sensors 100000 --peers lme4
    python benchmarks/ageing_fit.py --sensors 1000000 --peers none
    python benchmarks/ageing_fit.py --convergence 1000     fleets of 10 sensors and with zero variances

Readings are drawn from the model itself, 20 a sensor. "regional": 2 500 sensors share 50 cylinders; "any": any sensor
may meet any cylinder. Each fit runs in a process of its own, one after the other; peak memory is the whole process's.
A table is printed and written as CSV.
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

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parent.parent
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
REGION = 2500
USES = 1000  # readings of one cylinder


def write_readings(folder: Path, sensors: int, pattern: str, seed: int) -> None:
    """Readings as raw numbers that every peer can read."""
    from sensorhealth.synthetic.arrays import simulate_arrays

    drawn = simulate_arrays(
        sensors,
        rng=np.random.default_rng(seed),
        region=None if pattern == "any" else REGION,
        cylinder_uses=USES,
    )
    sensor = np.repeat(np.arange(sensors, dtype=np.int32), np.diff(drawn.offsets))
    cylinder = drawn.cylinder
    if pattern == "any":  # shuffled over visits as well: nothing keeps a cylinder to one season
        cylinder = np.random.default_rng(seed + 1).permutation(cylinder)
        effect = drawn.cylinder_effect
        drawn.y[:] += effect[cylinder] - effect[drawn.cylinder]
    for name, array in (("y", drawn.y), ("t", drawn.t), ("sensor", sensor), ("cylinder", cylinder.astype(np.int32))):
        array.tofile(folder / f"{name}.bin")


def fit_here(folder: Path, repeats: int) -> dict[str, Any]:
    """Our fit, in this process: best of some repeats."""
    import resource

    from sensorhealth.degradation.reml import CrossedClass, CrossedData, fit

    y, t = (np.fromfile(folder / f"{name}.bin") for name in ("y", "t"))
    sensor, cylinder = (np.fromfile(folder / f"{name}.bin", dtype=np.int32) for name in ("sensor", "cylinder"))
    offsets = np.concatenate(([0], np.cumsum(np.bincount(sensor))))
    del sensor
    gas = CrossedClass("cylinder", cylinder.astype(np.int64), None, int(cylinder.max()) + 1)
    del cylinder
    data = CrossedData(y, np.column_stack((np.ones_like(t), t)), offsets, t, None, (gas,))
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    wall, cpu = [], []
    for _ in range(repeats):
        begin = time.perf_counter(), time.process_time()
        found = fit(data)
        wall.append(time.perf_counter() - begin[0])
        cpu.append(time.process_time() - begin[1])
    return {
        "wall": min(wall),
        "cpu": min(cpu),
        "data_mb": before,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "criterion": found.deviance,
        "converged": found.converged,
        "evaluations": found.evaluations,
        "phi": found.phi.tolist(),
    }


def fit_statsmodels(folder: Path) -> dict[str, Any]:
    """statsmodels' MixedLM with the cylinders as variance components of one group: feasible for small sizes only."""
    import resource

    import statsmodels.api as sm
    from scipy import sparse

    y, t = (np.fromfile(folder / f"{name}.bin") for name in ("y", "t"))
    sensor, cylinder = (np.fromfile(folder / f"{name}.bin", dtype=np.int32) for name in ("sensor", "cylinder"))
    one = np.ones(len(y))
    where = np.arange(len(y))
    level = sparse.csr_matrix((one, (where, sensor))).toarray()
    gas = sparse.csr_matrix((one, (where, cylinder))).toarray()
    parts = {"level": {0: level}, "slope": {0: level * t[:, None]}, "cylinder": {0: gas}}
    begin = time.perf_counter(), time.process_time()
    model = sm.MixedLM(y, np.column_stack((one, t)), np.zeros(len(y)), exog_vc=parts)
    model.fit(reml=True)
    return {
        "wall": time.perf_counter() - begin[0],
        "cpu": time.process_time() - begin[1],
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def run(*command: str, limit: float = 3600.0) -> dict[str, Any]:
    """A process of its own with one thread; what it prints last is its result."""
    environment = {**os.environ, **ONE_THREAD, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=limit, check=False)
    if done.returncode != 0:
        raise SystemExit(f"{' '.join(command[:3])} failed:\n{done.stderr[-2000:]}")
    result: dict[str, Any] = json.loads(done.stdout.strip().splitlines()[-1])
    return result


def compare(sensors: int, pattern: str, peers: list[str], seed: int) -> dict[str, Any]:
    """One row of the table."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_readings(folder, sensors, pattern, seed)
        repeats = 5 if sensors <= 10_000 else 1
        ours = run(sys.executable, __file__, "--one", str(folder), "--repeats", str(repeats))
        row = {"sensors": sensors, "pattern": pattern, "seconds": ours["wall"], "cpu": ours["cpu"]}
        row |= {"evaluations": ours["evaluations"], "peak_mb": ours["peak_mb"], "data_mb": ours["data_mb"]}
        if "lme4" in peers:
            phi = [f"{value:.17g}" for value in ours["phi"]]
            theirs = run("Rscript", str(Path(__file__).with_name("lme4_fit.R")), str(folder), *phi)
            row |= {"lme4_seconds": theirs["wall"], "lme4_cpu": theirs["cpu"], "lme4_mb": theirs["peak_mb"]}
            row |= {"lme4_warnings": theirs["warnings"], "times_faster": theirs["wall"] / ours["wall"]}
            row |= {"times_less_cpu": theirs["cpu"] / ours["cpu"]}
            row |= {"criterion_difference": ours["criterion"] - theirs["at_common"]}
            row |= {"optimum_minus_lme4": ours["criterion"] - theirs["criterion"]}
        if "statsmodels" in peers:
            other = run(sys.executable, __file__, "--one-statsmodels", str(folder))
            row |= {"statsmodels_seconds": other["wall"], "statsmodels_mb": other["peak_mb"]}
        return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sensors", type=int, nargs="+", default=[1_000, 10_000])
    parser.add_argument("--patterns", nargs="+", default=["regional", "any"], choices=["regional", "any"])
    parser.add_argument("--peers", nargs="+", default=["lme4"], choices=["lme4", "statsmodels", "none"])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=Path("ageing_fit.csv"))
    parser.add_argument("--convergence", type=int, help="count fits that fail among this many small fleets")
    parser.add_argument("--one", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--one-statsmodels", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--repeats", type=int, default=1, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.one:
        print(json.dumps(fit_here(chosen.one, chosen.repeats)))
        return
    if chosen.one_statsmodels:
        print(json.dumps(fit_statsmodels(chosen.one_statsmodels)))
        return
    if chosen.convergence:
        from small_fleets import count_failures

        table = count_failures(chosen.convergence, chosen.seed)
    else:
        rows = [compare(n, pattern, chosen.peers, chosen.seed) for n in chosen.sensors for pattern in chosen.patterns]
        table = pd.DataFrame(rows)
    table.to_csv(chosen.out, index=False)
    with pd.option_context("display.width", 200, "display.max_columns", 40, "display.float_format", "{:.6g}".format):
        print(table.T.to_string(header=False))


if __name__ == "__main__":
    main()
