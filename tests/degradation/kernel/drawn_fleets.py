"""Fleets drawn from the model, as the kernel's arrays."""

from __future__ import annotations

import numpy as np

from sensorhealth.degradation.reml import CrossedClass, CrossedData


def regional_fleet(
    sensors: int, *, readings: int = 12, region: int = 40, per_region: int = 6, seed: int = 0, sessions: bool = False
) -> CrossedData:
    """Cylinders (and sessions) that stay within regions; ragged histories, sensors in no order of region."""
    rng = np.random.default_rng(seed)
    count = rng.integers(1, readings + 1, sensors)
    offsets = np.concatenate(([0], np.cumsum(count))).astype(np.int64)
    n = int(offsets[-1])
    sensor = np.repeat(np.arange(sensors), count)
    regions = -(-sensors // region)
    home = rng.permutation(np.arange(sensors) % regions)[sensor]
    g = np.sort(sensor + rng.uniform(0, 0.999, n)) - sensor
    g *= 4.0
    cylinder = home * per_region + rng.integers(0, per_region, n)
    classes = [CrossedClass("gas", cylinder, None, regions * per_region, rng.uniform(0.5, 2, regions * per_region))]
    y = 0.7 - 0.06 * g + 0.02 * rng.standard_normal(regions * per_region)[cylinder]
    if sessions:
        session = np.where(rng.random(n) < 0.9, home * 4 + rng.integers(0, 4, n), -1)
        classes.append(CrossedClass("session", session, None, regions * 4))
        y += np.append(0.015 * rng.standard_normal(regions * 4), 0.0)[session]
    a, b = 0.1 * rng.standard_normal(sensors), 0.02 * rng.standard_normal(sensors)
    y += a[sensor] + b[sensor] * g + 0.03 * rng.standard_normal(n)
    x = np.column_stack((np.ones(n), g, sensor % 2))
    return CrossedData(y, x, offsets, g, rng.uniform(0.5, 1.5, n), tuple(classes))


def take_sensors(data: CrossedData, begin: int, end: int) -> CrossedData:
    """Sensors begin:end as a shard."""
    a, b = data.offsets[begin], data.offsets[end]
    classes = tuple(
        CrossedClass(c.name, c.index[a:b], None if c.value is None else c.value[a:b], c.size, c.scale, c.fixed_variance)
        for c in data.classes
    )
    weights = None if data.weights is None else data.weights[a:b]
    return CrossedData(data.y[a:b], data.x[a:b], data.offsets[begin : end + 1] - a, data.g[a:b], weights, classes, data.random)


def fleet_with_lots(sensors: int, *, lots: int = 5, seed: int = 0) -> CrossedData:
    """As `regional_fleet` with sessions, and lots over all regions: an effect on level and one on slope of each."""
    base = regional_fleet(sensors, seed=seed, sessions=True)
    rng = np.random.default_rng(seed + 1)
    sensor = np.repeat(np.arange(sensors), np.diff(base.offsets))
    of_sensor = rng.integers(-1, lots, sensors)
    lot = of_sensor[sensor]
    y = base.y + np.append(0.05 * rng.standard_normal(lots), 0.0)[lot]
    y += np.append(0.01 * rng.standard_normal(lots), 0.0)[lot] * base.g
    level = CrossedClass("lot level", lot, None, lots)
    slope = CrossedClass("lot slope", lot, base.g, lots)
    # some readings name neither cylinder nor session, and some sensors none at all
    bare = np.isin(sensor, np.arange(0, sensors, 17))
    named = tuple(
        CrossedClass(c.name, np.where(bare | (rng.random(len(y)) < 0.05), -1, c.index), c.value, c.size, c.scale)
        for c in base.classes
    )
    return CrossedData(y, base.x, base.offsets, base.g, base.weights, (*named, level, slope))
