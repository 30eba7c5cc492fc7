"""Sums over readings that the likelihood needs: everything that depends on the data but not on the variances.

They depend on the relative wander variance tau only, and add up over any division of the sensors into shards.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_layout import Layout, totals


@dataclass(frozen=True)
class Sums:
    """Products weighted by R^-1 (R: relative noise covariance); `d_*` objects hold derivatives to tau instead."""

    ww: FloatArray  # (n, 3) Z'R^-1Z: entries 11, 12, 22
    wx: FloatArray  # (n, 2, q) Z'R^-1[X y]
    xx: FloatArray  # (q, q)
    tx: FloatArray  # (C, q) T'R^-1[X y]
    pt: FloatArray  # (P, 2) T'R^-1Z for every (sensor, column) pair
    tt: FloatArray  # (C, C) T'R^-1T
    log_det: float  # log|R|


def reduce_readings(layout: Layout, noise: ClockNoise | None) -> Sums:
    """Sums at one tau; without a noise object tau = 0."""
    if noise is None:
        w = layout.weights
        weighted = layout.crossed.multiply(w[:, None]).tocsr()
        tt = (layout.crossed.T @ weighted).toarray()
        return _reduce(layout, w[:, None] * layout.z, w[:, None] * layout.xy, tt, -float(np.log(w).sum()))
    q = layout.xy.shape[1]
    solved = noise.solve(np.hstack((layout.xy, layout.z)))
    return _reduce(layout, solved[:, q:], solved[:, :q], _pairs(layout, noise)[0], noise.log_det)


def reduce_derivatives(layout: Layout, noise: ClockNoise) -> tuple[Sums, Sums]:
    """Sums at one tau and their derivatives to it: d R^-1 / d tau = -R^-1 K R^-1."""
    q = layout.xy.shape[1]
    solved = noise.solve(np.hstack((layout.xy, layout.z)))
    slope = -noise.solve(noise.wander(solved))
    tt, d_tt = _pairs(layout, noise)
    here = _reduce(layout, solved[:, q:], solved[:, :q], tt, noise.log_det)
    return here, _reduce(layout, slope[:, q:], slope[:, :q], d_tt, noise.d_log_det)


def _reduce(layout: Layout, rz: FloatArray, rx: FloatArray, tt: FloatArray, log_det: float) -> Sums:
    n, q = layout.sensors, layout.xy.shape[1]
    sensor, g = layout.sensor, layout.z[:, 1]

    def by_sensor(values: FloatArray) -> FloatArray:
        return totals(sensor, values, n)

    ww = np.stack([by_sensor(rz[:, 0]), by_sensor(rz[:, 1]), by_sensor(g * rz[:, 1])], axis=1)
    wx = np.empty((n, 2, q))
    for k in range(q):
        wx[:, 0, k] = by_sensor(rx[:, k])
        wx[:, 1, k] = by_sensor(g * rx[:, k])
    value, reading = layout.crossed.data, layout.entry_reading
    pt = np.stack([totals(layout.entry_pair, value * rz[reading, a], len(layout.pair_sensor)) for a in (0, 1)], 1)
    return Sums(ww, wx, layout.xy.T @ rx, np.asarray(layout.crossed.T @ rx), pt, tt, log_det)


def _pairs(layout: Layout, noise: ClockNoise) -> tuple[FloatArray, FloatArray]:
    """T'R^-1T and its derivative to tau, lag by lag between the readings of each sensor."""
    assert layout.clock is not None
    c, n = layout.columns, len(layout.sensor)
    if c == 0:
        return np.zeros((0, 0)), np.zeros((0, 0))
    reading = layout.clock.reading
    state = None
    rows, columns, values, slopes = [], [], [], []
    for lag in range(len(reading)):
        value, slope, *rest = noise.inverse_entries(lag, state)
        state = (rest[0], rest[1])
        real = reading[lag:] >= 0
        rows.append(reading[: len(reading) - lag][real])
        columns.append(reading[lag:][real])
        values.append(value[real] * (0.5 if lag == 0 else 1.0))
        slopes.append(slope[real] * (0.5 if lag == 0 else 1.0))
    where = (np.concatenate(rows), np.concatenate(columns))
    out = []
    for part in (values, slopes):
        half = sparse.csr_array((np.concatenate(part), where), shape=(n, n))
        product = (layout.crossed.T @ (half @ layout.crossed)).toarray()
        out.append(product + product.T)
    return out[0], out[1]
