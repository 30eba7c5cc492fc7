"""Small fleets of known truth for the tests of the ageing model, straight as readings and lives (no records in
between).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from sensorhealth.degradation.curves import Curve, Linear

START = pd.Timestamp("2020-01-01")


@dataclass(frozen=True)
class Truth:
    """What a fleet is drawn from: ln headroom = level_i + slope_i phi(age) + wander + gas + session + lot + noise."""

    level: float = 0.7
    slope: float = -0.12
    level_sd: float = 0.10
    slope_sd: float = 0.04
    correlation: float = 0.0
    noise: float = 0.03
    degrees: float = np.inf
    brownian: float = 0.0
    cylinder_sd: float = 0.03
    cylinders: int = 20
    fade: float = 0.0
    session_sd: float = 0.0
    lot_level_sd: float = 0.0
    lot_slope_sd: float = 0.0
    lots: int = 1
    visits: float = 20.0
    every: float = 0.25
    late: float = 0.0
    display: float | None = None
    curve: Curve = field(default_factory=lambda: Linear(4.0))
    swap_below: float | None = None


@dataclass(frozen=True)
class Fleet:
    """Frames as the health room makes them, and the truth: latent (per reading), lives with level and slope."""

    readings: pd.DataFrame
    lives: pd.DataFrame
    cylinders: pd.DataFrame
    level: np.ndarray
    slope: np.ndarray
    wander: np.ndarray  # at the last reading
    bias: np.ndarray
    latent: np.ndarray  # per reading


def simulate(
    truth: Truth,
    sensors: int,
    rng: np.random.Generator,
    *,
    technology: str = "electrochemical",
    gas: str = "CO",
    tag: str = "",
) -> Fleet:
    """One stratum. Sensors are installed within two years; visits jitter around every `every` years; cylinders follow
    each other in time over two sites; a sensor is swapped after a reading below `swap_below` (its readings stay)."""
    lot = rng.integers(0, truth.lots, sensors)
    root = np.linalg.cholesky([[1.0, truth.correlation], [truth.correlation, 1.0 + 1e-12]])
    draw = rng.standard_normal((sensors, 2)) @ root.T
    level = truth.level + truth.level_sd * draw[:, 0] + truth.lot_level_sd * rng.standard_normal(truth.lots)[lot]
    slope = truth.slope + truth.slope_sd * draw[:, 1] + truth.lot_slope_sd * rng.standard_normal(truth.lots)[lot]
    born = rng.uniform(0.0, 2.0, sensors)
    counts = np.maximum(1, rng.poisson(truth.visits, sensors))
    sensor = np.repeat(np.arange(sensors), counts)
    visit = np.arange(sensor.size) - np.repeat(np.cumsum(counts) - counts, counts)
    age = truth.every * (visit + 1.0) + rng.uniform(-0.04, 0.04, sensor.size)
    when = born[sensor] + age
    span = when.max()
    site = sensor % 2
    cylinder = np.minimum((when / span * (truth.cylinders // 2)).astype(int), truth.cylinders // 2 - 1) * 2 + site
    bias = truth.cylinder_sd * rng.standard_normal(truth.cylinders)
    opened = (cylinder // 2) * span / max(truth.cylinders // 2, 1)
    session = np.round(when * 26).astype(int) * 2 + site
    phi = truth.curve.value(age)
    fresh = np.diff(sensor, prepend=-1) != 0
    step = np.where(fresh, phi, phi - np.concatenate([[0.0], phi[:-1]]))
    total = np.cumsum(np.sqrt(truth.brownian * step) * rng.standard_normal(step.size))
    before = np.concatenate([[0.0], total[:-1]])[fresh]
    wander = total - np.repeat(before, counts)
    latent = level[sensor] + truth.curve.path(slope[sensor], age) + wander
    noise = truth.noise * (
        rng.standard_normal(sensor.size) if np.isinf(truth.degrees) else rng.standard_t(truth.degrees, sensor.size)
    )
    together = truth.session_sd * rng.standard_normal(session.max() + 1)[session]
    y = latent + bias[cylinder] + truth.fade * (when - opened) + together + noise
    keep = np.ones(sensor.size, dtype=bool)
    if truth.swap_below is not None:
        low = np.cumsum(y < truth.swap_below)
        first = np.concatenate([[0], low[:-1]])
        keep = (first - np.repeat(first[fresh], counts)) == 0
    censored = np.zeros(sensor.size, dtype=np.int8)
    if truth.display is not None:
        censored = (y >= truth.display).astype(np.int8)
        y = np.minimum(y, truth.display)
    life_id = np.array([f"S{tag}{k:05d}" for k in range(sensors)], dtype=object)
    readings = pd.DataFrame(
        {
            "row": np.arange(sensor.size), "life_id": life_id[sensor], "age_years": age, "log_ratio": y, "censoring":
            censored, "time": START + pd.to_timedelta(np.round(when * 365.25 * 86400), unit="s"),
            "cylinder": [f"C{tag}{k}" for k in cylinder], "cylinder_days": (when - opened) * 365.25,
            "session": [f"T{tag}{k}" for k in session],
        }
    )[keep].reset_index(drop=True)  # fmt: skip
    lives = pd.DataFrame(
        {
            "life_id": life_id, "technology": technology, "gas": gas, "stratum": f"{technology} {gas}",
            "lot": [f"L{tag}{k}" for k in lot],
        }
    )  # fmt: skip
    cylinders = pd.DataFrame({"cylinder_id": [f"C{tag}{k}" for k in range(truth.cylinders)], "gas": gas, "tolerance_pct": np.nan})
    last = np.cumsum(np.bincount(sensor[keep], minlength=sensors)) - 1
    return Fleet(readings, lives, cylinders, level, slope, wander[keep][last], bias, latent[keep])
