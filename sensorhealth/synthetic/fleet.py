"""A fleet of known truth: `simulate` and what it returns."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from sensorhealth.synthetic import oddrows, tables, truth
from sensorhealth.synthetic.run import Run
from sensorhealth.synthetic.scenario import Scenario

NOTE = """# An invented fleet

Everything in this folder is invented: the operator, its sites, sensors, cylinders, technicians, dates and prices. The
records were made by a random-number generator (`sensorhealth simulate`, {sensors} sensors, seed {seed}) and describe
no real equipment, maker or company. Ageing rates, faults and prices are figures for examples, not facts about any
sensor.

- `sensors.csv`, `calibrations.csv`, `cylinders.csv`, `policy.toml`: what such an operator would have.
- `truth/`: how the records came about (true ends of life, cylinder errors, events, odd rows). It is there to score
  forecasts and is never read by the analysis.
"""

POLICY = """# Policy of the invented operator. Every other key has its default.
margin = 0.0
risk = 0.05
calibration_interval_days = 30
lead_time_days = 42
visit_cost = 350
swap_cost = 60
failure_cost = 1500
currency = "EUR"
"""


@dataclass(frozen=True)
class SyntheticFleet:
    """A fleet of known truth.

    sensors, calibrations, cylinders: the contract's tables. truth: tables by name: truth_sensors (one row per life),
    truth_cylinders, truth_lots, truth_sessions, truth_events, truth_odd_rows, truth_readings (row, life_id, latent,
    gas_effect, session_effect, noise of the rows that are calibrations; not written to disk). n_sensors, seed,
    scenario: what made it.
    """

    sensors: pd.DataFrame
    calibrations: pd.DataFrame
    cylinders: pd.DataFrame
    truth: dict[str, pd.DataFrame]
    n_sensors: int
    seed: int
    scenario: Scenario

    def write(self, directory: str | Path) -> Path:
        """Write the tables, the policy, a note that all is invented, and the truth; return the folder."""
        out = Path(directory)
        (out / "truth").mkdir(parents=True, exist_ok=True)
        note = NOTE.format(sensors=self.n_sensors, seed=self.seed)
        for name, text in (
            ("README.md", note),
            ("INVENTED.txt", "All data in this folder are invented.\n"),
            ("policy.toml", POLICY),
        ):
            (out / name).write_text(text, encoding="utf-8", newline="\n")
        for name in ("sensors", "calibrations", "cylinders"):
            _write_csv(getattr(self, name), out / f"{name}.csv")
        for name, table in self.truth.items():
            if name != "truth_readings":
                _write_csv(table, out / "truth" / f"{name}.csv")
        return out


def _write_csv(table: pd.DataFrame, path: Path) -> None:
    """Dates as ISO 8601, without the time where a column has none."""
    table.to_csv(path, index=False, lineterminator="\n", float_format="%.6g")


def simulate(n_sensors: int = 480, seed: int = 20260301, scenario: Scenario | None = None) -> SyntheticFleet:
    """Simulate the records of an invented operator.

    n_sensors: sensors in the table (in service at some time within the records). seed: the same seed gives the same
    fleet. scenario: None for `Scenario.demo()`. Raises ValueError for fewer than one sensor.
    """
    if n_sensors < 1:
        raise ValueError(f"n_sensors is {n_sensors}; expected 1 or more")
    scenario = scenario or Scenario.demo()
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(6)]
    run = Run(n_sensors, scenario, streams[:4]).go()
    log = {name: np.concatenate([part[name] for part in run.bench.log]) for name in run.bench.log[0]}
    inside = log["time"] <= run.days
    log = {name: values[inside] for name, values in log.items()}
    labels = tables.Labels(run, log)
    sensors = tables.sensors_table(run, labels, streams[4])
    cylinders, truth_cylinders = tables.cylinders_table(run, labels)
    plain = tables.calibrations_table(run, labels, log, streams[4])
    rows = oddrows.add_plain_rows(plain, scenario, streams[5])
    installed = sensors.set_index("sensor_id")["installed"]
    end = pd.Timestamp(scenario.records_end)
    calibrations, odd = oddrows.add_odd_rows(rows, installed, end, scenario, streams[5])
    origin = calibrations.pop("origin").to_numpy()
    row = np.zeros(len(plain), np.int64)
    row[origin[origin >= 0]] = np.nonzero(origin >= 0)[0] + 1
    known = {
        "truth_sensors": truth.truth_sensors(run, labels),
        "truth_cylinders": truth_cylinders,
        "truth_lots": truth.truth_lots(run),
        "truth_sessions": truth.truth_sessions(run, labels, log),
        "truth_events": truth.truth_events(run, labels, log, row),
        "truth_odd_rows": odd,
        "truth_readings": _truth_readings(labels, log, row),
    }
    return SyntheticFleet(sensors, calibrations, cylinders, known, n_sensors, seed, scenario)


def _truth_readings(labels: tables.Labels, log: dict[str, np.ndarray], row: np.ndarray) -> pd.DataFrame:
    parts = ("latent", "gas_effect", "session_effect", "noise", "loose_cap", "attempt")
    frame = pd.DataFrame({"row": row, "life_id": labels.life_id(log["element"]), **{name: log[name] for name in parts}})
    return frame[frame["row"] > 0].sort_values("row").reset_index(drop=True)
