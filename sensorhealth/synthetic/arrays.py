"""Readings drawn straight from the ageing model, as arrays: for studies of many fleets and for benchmarks."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class ModelSizes:
    """Fixed effects and standard deviations of y = level + a_i + (slope + b_i) t + c_k + e, t in years.

    correlation: of a_i and b_i. cylinder: sd of c_k. lot_level, lot_slope: sds of effects shared by a lot.
    """

    level: float = 0.8
    slope: float = -0.18
    level_sd: float = 0.12
    slope_sd: float = 0.05
    correlation: float = 0.0
    cylinder: float = 0.03
    lot_level: float = 0.0
    lot_slope: float = 0.0
    noise: float = 0.025


@dataclass(frozen=True)
class ModelArrays:
    """Readings of one fleet, sorted by sensor and time.

    y, t, cylinder: (N,) ln headroom ratio, age in years, whole number of the cylinder (-1 none). offsets: (n + 1,)
    borders of the sensors. lot, region: (n,). level, slope: (n,) true. cylinder_effect: (cylinders,) true. date: (N,)
    years of the records.
    """

    y: FloatArray
    t: FloatArray
    date: FloatArray
    cylinder: IntArray
    offsets: IntArray
    lot: IntArray
    region: IntArray
    level: FloatArray
    slope: FloatArray
    cylinder_effect: FloatArray


def simulate_arrays(
    n_sensors: int,
    n_readings: int = 20,
    *,
    rng: np.random.Generator,
    sizes: ModelSizes | None = None,
    region: int | None = 2500,
    cylinder_uses: int = 100,
    lots: int = 1,
    interval_days: float = 60.0,
    stagger_years: float = 1.0,
    lots_by_region: float = 0.0,
) -> ModelArrays:
    """Readings drawn from the model of `sizes`, every sensor with `n_readings`.

    region: sensors that share cylinders (None: all). Within a region cylinders are used one after the other,
    `cylinder_uses` readings each. stagger_years: sensors are installed within this time before the first visit.
    lots_by_region: 0 lots are spread evenly over regions, 1 each region has lots of its own; between, a mixture
    (unbalanced).
    """
    sizes = sizes or ModelSizes()
    n, m = n_sensors, n_readings
    block = n if region is None else region
    place = np.arange(n) // block
    lot = rng.integers(0, lots, n)
    own = rng.random(n) < lots_by_region
    lot = np.where(own, place % lots, lot)
    z = rng.standard_normal((n, 2))
    a = sizes.level_sd * z[:, 0]
    b = sizes.slope_sd * (sizes.correlation * z[:, 0] + np.sqrt(1 - sizes.correlation**2) * z[:, 1])
    lot_effects = rng.standard_normal((2, lots)) * np.array([[sizes.lot_level], [sizes.lot_slope]])
    level, slope = sizes.level + a + lot_effects[0, lot], sizes.slope + b + lot_effects[1, lot]
    age = rng.uniform(0, stagger_years, n)
    visit = (np.arange(m) + rng.uniform(-0.2, 0.2, (n, m))) * interval_days / 365.25
    visit -= visit.min()
    t = age[:, None] + visit
    cylinder, count = _cylinders(place, visit, cylinder_uses)
    effect = sizes.cylinder * rng.standard_normal(count)
    y = level[:, None] + slope[:, None] * t + effect[cylinder] + sizes.noise * rng.standard_normal((n, m))
    return ModelArrays(
        y.ravel(), t.ravel(), visit.ravel(), cylinder.ravel(), np.arange(n + 1) * m, lot, place, level, slope, effect
    )


def _cylinders(place: IntArray, visit: FloatArray, uses: int) -> tuple[IntArray, int]:
    """Cylinder of each reading, (n, m): in each region one after the other in order of time; and their number."""
    out = np.empty(visit.shape, np.int64)
    count = 0
    borders = np.r_[0, np.nonzero(np.diff(place))[0] + 1, place.size]
    for first, last in pairwise(borders):
        block = visit[first:last]
        rank = np.empty(block.size, np.int64)
        rank[np.argsort(block, axis=None, kind="stable")] = np.arange(block.size)
        out[first:last] = count + (rank // uses).reshape(block.shape)
        count += -(-block.size // uses)
    return out, count
