"""Late crossings of published degradation paths, foretold by the main job from early readings.

GaAs lasers (Meeker and Escobar 1998, Table C.17: increase of current, read every 250 h) and fatigue cracks of Alloy A
(Lu and Meeker 1993: read every 0.01 million cycles). A thousand hours, or 50 000 cycles, stand for a year.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from sensorhealth import Fleet
from sensorhealth.decide import Policy
from sensorhealth.outlook import look_ahead

START, YEAR = pd.Timestamp("2020-01-01"), 365.25


def crossing(time: np.ndarray, ratio: np.ndarray) -> float:
    """When a path first stands at 1, between two readings; NaN where it never does."""
    low = np.flatnonzero(ratio <= 1.0)
    if not low.size:
        return float("nan")
    k = int(low[0])
    return float(np.interp(1.0, ratio[[k, k - 1]], time[[k, k - 1]]))


def foretold(paths: pd.DataFrame, at: float) -> pd.DataFrame:
    """Units still going at time `at` (years) whose crossing was seen: true time left, quantiles, its probability integral.

    paths: unit, years, ratio (1 at the end).
    """
    times = START + pd.to_timedelta(paths["years"] * YEAR + 1.0, unit="D")
    table = {"sensor_id": paths["unit"], "time": times, "kind": "span", "applied": 1.0, "headroom": paths["ratio"]}
    sensors = pd.DataFrame({"sensor_id": paths["unit"].unique()})
    sensors = sensors.assign(gas="CO", technology="electrochemical", unit="ppm", installed=START)
    day = START + pd.Timedelta(days=at * YEAR + 1.5)
    seen = look_ahead(Fleet.from_tables(sensors, pd.DataFrame(table)).known_at(day), day, Policy())
    true = {name: crossing(own["years"].to_numpy(), own["ratio"].to_numpy()) - at for name, own in paths.groupby("unit")}
    left = np.array([true[name] for name in seen.current["sensor_id"]])
    quantiles = {f"p{round(100 * q):02d}": seen.remaining.quantile(q)[0] / YEAR for q in (0.05, 0.5, 0.95)}
    frame = pd.DataFrame({"left": left, **quantiles})
    return frame[frame["left"] > 0]


def judge(frame: pd.DataFrame, most_off: float) -> None:
    inside = frame["left"].between(frame["p05"], frame["p95"])
    assert inside.mean() > 0.75
    assert ((frame["p50"] - frame["left"]).abs() / frame["left"]).median() < most_off
    assert (frame["p95"] - frame["p05"]).median() < 1.2 * frame["left"].median()  # and not by saying nothing


def test_lasers_read_for_1500_hours_cross_six_per_cent_when_foretold(references: Path) -> None:
    table = pd.read_csv(references / "gaas_laser.csv")
    paths = pd.DataFrame(
        {"unit": table["unit"].astype(str), "years": table["hours"] / 1000.0, "ratio": 1.06 - table["increase"] / 100.0}
    )
    frame = foretold(paths, 1.5)
    assert len(frame) == 15
    judge(frame, 0.2)


def test_cracks_read_for_60_000_cycles_reach_their_length_when_foretold(published: Path) -> None:
    table = pd.read_csv(published / "alloy_a_fatigue.csv")
    paths = pd.DataFrame(
        {"unit": "p" + table["path"].astype(str), "years": table["megacycles"] * 20.0, "ratio": 1.4 / table["inches"]}
    )
    frame = foretold(paths, 1.2)
    assert len(frame) == 16
    judge(frame, 0.2)
