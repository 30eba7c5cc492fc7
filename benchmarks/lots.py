"""One comparison of lots, fit and contrasts of every lot against the rest, beside R's lme4 with lmerTest.

    python benchmarks/lots.py                                1 000 sensors against lmerTest, 10 000 without it
    python benchmarks/lots.py --sensors 1000 --peer none
    python benchmarks/lots.py --sensors 100000 --peer none

The model of both: lots and sites as fixed effects on level and ageing rate (sites random where there are many), random
level and rate per sensor, crossed cylinders; contrasts with Satterthwaite's degrees of freedom. Readings are drawn from it,
20 a sensor, with 2 500 sensors to a site; very large fleets are compared on an equal random part of every lot, as the
library does. Each runs in a process of its own, one after the other, on one thread. A table is printed and, with --out,
written as CSV; `gap` is the largest difference of the contrasts' t statistics between the two.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
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

PEER = r"""
suppressMessages(library(lmerTest)); args <- commandArgs(TRUE); d <- read.csv(args[1])
for (n in c("lot", "sensor", "cylinder", "site")) d[[n]] <- factor(d[[n]])
begin <- Sys.time()
first <- !duplicated(d$sensor); terms <- "0 + lot + lot:t"
if (nlevels(d$site) > 1) for (k in levels(d$site)[-1]) {
  name <- paste0("s", k); s <- as.numeric(d$site == k); d[[name]] <- s - mean(s[first])
  terms <- paste0(terms, " + ", name, " + ", name, ":t") }
f <- lmer(as.formula(paste("y ~", terms, "+ (1 + t | sensor) + (1 | cylinder)")), d, control = lmerControl(calc.derivs = FALSE))
n <- table(d$lot[first]); out <- c()
for (l in names(n)) { L <- setNames(rep(0, length(fixef(f))), names(fixef(f)))
  L[paste0("lot", names(n), ":t")] <- -n / sum(n[names(n) != l]); L[paste0("lot", l, ":t")] <- 1
  out <- c(out, contest1D(f, L)[["t value"]]) }
cat(as.numeric(Sys.time() - begin, units = "secs"), out, "\n")
"""


def write_readings(path: Path, sensors: int, lots: int, seed: int) -> None:
    """Readings as a table that both can read."""
    from sensorhealth.synthetic import simulate_arrays

    drawn = simulate_arrays(sensors, rng=np.random.default_rng(seed), lots=lots, lots_by_region=0.3)
    sensor = np.repeat(np.arange(sensors), np.diff(drawn.offsets))
    columns = {"y": drawn.y, "t": drawn.t, "sensor": sensor, "cylinder": drawn.cylinder}
    pd.DataFrame({**columns, "lot": drawn.lot[sensor], "site": drawn.region[sensor]}).to_csv(path, index=False)


def compare_here(path: Path) -> dict[str, Any]:
    """Our comparison, in this process."""
    import resource

    from sensorhealth.compare.groups import fit_groups
    from sensorhealth.compare.subset import draw_sensors, only_sensors
    from sensorhealth.degradation.reml_data import CrossedClass, CrossedData

    table = pd.read_csv(path)
    t, sensor = table["t"].to_numpy(), table["sensor"].to_numpy()
    first = np.flatnonzero(np.r_[True, np.diff(sensor) != 0])
    lot, site = table["lot"].to_numpy()[first], table["site"].to_numpy()[first]
    start = time.perf_counter()
    cylinders = CrossedClass("cylinder", table["cylinder"].to_numpy(), None, int(table["cylinder"].max()) + 1)
    x = np.column_stack([np.ones_like(t), t])
    data = CrossedData(table["y"].to_numpy(), x, np.r_[first, t.size], t, None, (cylinders,))
    chosen = draw_sensors(data, lot, 2 * (int(lot.max()) + 1) + 16, np.random.default_rng(0))
    if not chosen.all():
        data, lot, site = only_sensors(data, chosen), lot[chosen], site[chosen]
    grouped = fit_groups(data, lot, int(lot.max()) + 1, (site,))
    rows = [grouped.rows(grouped.slope[k : k + 1])[0] - grouped.rest(k, grouped.slope) for k in range(int(lot.max()) + 1)]
    statistics = grouped.contrasts(np.array(rows)).t()
    seconds = time.perf_counter() - start
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    return {"used": int(chosen.sum()), "seconds": seconds, "gigabytes": memory, "t": statistics.tolist()}


def run(sensors: int, lots: int, peer: bool, seed: int) -> dict[str, Any]:
    """Both on the same readings."""
    environment = {**os.environ, **ONE_THREAD, "PYTHONPATH": str(ROOT)}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        write_readings(path, sensors, lots, seed)
        command = [sys.executable, __file__, "--worker", str(path)]
        ours = json.loads(subprocess.run(command, env=environment, check=True, capture_output=True, text=True).stdout)
        row = {"sensors": sensors, "used": ours["used"], "lots": lots, "seconds": ours["seconds"], "gigabytes": ours["gigabytes"]}
        if peer:
            script = Path(folder) / "peer.R"
            script.write_text(PEER, encoding="utf-8")
            command = ["Rscript", str(script), str(path)]
            done = subprocess.run(command, env=environment, check=True, capture_output=True, text=True).stdout.split()
            numbers = np.array(done[-(lots + 1) :], dtype=float)
            row |= {"peer_seconds": numbers[0], "times_faster": numbers[0] / ours["seconds"]}
            row["gap"] = float(np.abs(numbers[1:] - np.array(ours["t"])).max())
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sensors", type=int, nargs="+")
    parser.add_argument("--lots", type=int, default=8)
    parser.add_argument("--peer", choices=["lmerTest", "none"])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--worker", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.worker:
        print(json.dumps(compare_here(options.worker)))
        return
    if options.peer != "none" and shutil.which("Rscript") is None:
        raise SystemExit("R with the packages lme4 and lmerTest is not here; run with --peer none")
    cases = [(n, options.peer != "none") for n in options.sensors] if options.sensors else [(1000, True), (10_000, False)]
    if options.peer == "none":
        cases = [(n, False) for n, _ in cases]
    table = pd.DataFrame([run(n, options.lots, peer, options.seed) for n, peer in cases])
    print(table.to_string(index=False, float_format="%.4g"))
    if options.out:
        table.to_csv(options.out, index=False)


if __name__ == "__main__":
    main()
