"""Predictions and their covariances for rows x'beta + z'u_i + t'c + W_i(g) of a fitted crossed model.

A row's error, with the sensor's own effects absorbed, is ``gamma + z'S z + m'theta^ m + x~ Cov(beta) x~'`` where
``m = t - PT_i S z`` and ``x~ = x - E't - (WX_i - PT_i'E)'S z``; with a wander in the row, x, z and t are first reduced
by what the readings already say of it (Henderson 1975; prediction error variance, Robinson 1991, Stat. Sci. 6:15-51).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.reml_crossed import crossed_terms
from sensorhealth.degradation.reml_data import FloatArray, IntArray
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.degradation.reml_score import symmetric
from sensorhealth.degradation.reml_solution import Solution
from sensorhealth.degradation.reml_wander import plain_residual
from sensorhealth.degradation.returning import ReturningNoise


@dataclass(frozen=True)
class Rows:
    """m rows, each of one sensor; already reduced by the wander's weights where `wander` says so."""

    sensor: IntArray  # (m,)
    x: FloatArray  # (m, p)
    z: FloatArray  # (m, 2)
    t: sparse.csr_array | None  # (m, C) or None for no crossed effects
    gamma: FloatArray  # (m,) relative variance of the wander that is left
    offset: FloatArray  # (m,) the wander's part that does not depend on beta, u and c: weights times y


def plain_rows(sensor: IntArray, x: FloatArray, z: FloatArray, t: sparse.csr_array | None) -> Rows:
    """Rows without a wander."""
    zero = np.zeros(len(sensor))
    return Rows(sensor, x, z, t, zero, zero)


def add_wander(rows: Rows, g: FloatArray, layout: Layout, noise: ClockNoise) -> Rows:
    """Add W_i(g) to each row."""
    weights = wander_weights(rows.sensor, g, layout, noise)
    touched = (weights @ layout.crossed).tocsr()
    t = (touched * -1.0) if rows.t is None else (rows.t - touched).tocsr()
    left = _path_left(weights, g, layout, noise) if noise.returns else wander_left(rows.sensor, g, layout, noise)
    return Rows(
        rows.sensor,
        rows.x - weights @ layout.data.x,
        rows.z - np.column_stack((weights.sum(axis=1), weights @ layout.data.g)),
        t,
        rows.gamma + left,
        rows.offset + weights @ layout.response,
    )


def wander_weights(sensor: IntArray, g: FloatArray, layout: Layout, noise: ClockNoise) -> sparse.csr_array:
    """Weights a (m, N) with E(W_i(g) | residuals r of the sensor) = a'r: tau R^-1 min(g, g_j)."""
    m, n = len(sensor), len(layout.sensor)
    order = np.argsort(sensor, kind="stable")
    rank = np.empty(m, dtype=np.int64)
    starts = np.searchsorted(sensor[order], np.arange(layout.sensors))
    rank[order] = np.arange(m) - starts[sensor[order]]
    rounds = int(rank.max()) + 1 if m else 0
    parts: list[tuple[FloatArray, IntArray, IntArray]] = []
    for k in range(rounds):
        here = np.flatnonzero(rank == k)
        row_of_sensor = np.full(layout.sensors, -1)
        row_of_sensor[sensor[here]] = here
        row = row_of_sensor[layout.sensor]
        reach = np.where(row >= 0, np.minimum(np.where(row >= 0, g[row], 0.0), layout.data.g), 0.0)
        solved = noise.tau * noise.solve(reach[:, None])[:, 0]
        used = np.flatnonzero(row >= 0)
        parts.append((solved[used], row[used], used))
    if not parts:
        return sparse.csr_array((m, n))
    value, row, reading = (np.concatenate(part) for part in zip(*parts))
    return sparse.csr_array((value, (row, reading)), shape=(m, n))


def _path_left(weights: sparse.csr_array, g: FloatArray, layout: Layout, noise: ClockNoise) -> FloatArray:
    """As `wander_left`, from what the readings tell of the wander: weights (m, N) of `wander_weights`."""
    cells = weights.tocoo()
    row, reading = cells.coords
    told = np.bincount(row, cells.data * np.minimum(g[row], layout.data.g[reading]), len(g))
    return noise.tau * np.maximum(g - told, 0.0)


def returning_rows(layout: Layout, noise: ReturningNoise) -> tuple[Rows, FloatArray]:
    """Rows of what the wander that comes back is at the last reading of every sensor (n,), untold where there is none; their
    relative covariance (n,) with the path's own wander then, given everything else."""
    size, sensors = len(layout.sensor), layout.sensors
    to_last = noise.to_last()
    told = noise.solve(to_last[:, None])[:, 0]
    weights = sparse.csr_array((told, (layout.sensor, np.arange(size))), shape=(sensors, size))
    one, g, known, x, y = (
        np.asarray(weights @ values) for values in (np.ones(size), layout.data.g, to_last, layout.data.x, layout.response)
    )
    touched = ((weights @ layout.crossed) * -1.0).tocsr()
    rows = Rows(np.arange(sensors), -x, -np.column_stack((one, g)), touched, np.maximum(noise.share - known, 0.0), y)
    return rows, -noise.tau * g


def wander_left(sensor: IntArray, g: FloatArray, layout: Layout, noise: ClockNoise) -> FloatArray:
    """Relative variance of W_i(g) given everything else: smoothed at the neighbours plus the bridge between them."""
    offsets = layout.data.offsets
    begin, end = offsets[sensor], offsets[sensor + 1]
    after = _first_after(layout, sensor, g)
    has_before, has_after = after > begin, after < end
    smooth = np.append(noise.smoothed_variance(), 0.0)
    times, gains = np.append(layout.data.g, 0.0), np.append(noise.gains(), 0.0)
    before = np.where(has_before, after - 1, len(smooth) - 1)
    nxt = np.where(has_after, after, len(smooth) - 1)
    g0 = np.where(has_before, times[before], 0.0)
    g1 = np.where(has_after, times[nxt], np.inf)
    span = np.where(has_after, g1 - g0, 1.0)
    share = np.where(has_after & (span > 0), (g - g0) / np.where(span > 0, span, 1.0), 0.0)
    gain = np.where(has_before, gains[before], 0.0)
    inside = (1 - share) ** 2 * smooth[before] + share**2 * smooth[nxt] + 2 * share * (1 - share) * gain * smooth[nxt]
    bridge = np.where(has_after, share * (np.where(has_after, g1, 0.0) - g), g - g0)
    return inside + noise.tau * np.maximum(bridge, 0.0)


def _first_after(layout: Layout, sensor: IntArray, g: FloatArray) -> IntArray:
    """Position of the first reading of the sensor with time above g (or its end): one search for all rows."""
    times = layout.data.g
    order = np.lexsort(
        (
            np.concatenate((np.zeros(len(times)), np.ones(len(g)))),
            np.concatenate((times, g)),
            np.concatenate((layout.sensor, sensor)),
        )
    )
    counted = np.cumsum(order < len(times))
    position = np.empty(len(order), dtype=np.int64)
    position[order] = counted
    return position[len(times) :]


def means(rows: Rows, so: Solution) -> FloatArray:
    """Best predictions (m,), the least-squares start of beta not yet added."""
    out = rows.offset + rows.x @ so.eliminated.beta + (rows.z.T * so.u[:, rows.sensor]).sum(0)
    return out if rows.t is None else out + rows.t @ so.v


def covariances(left: Rows, right: Rows, so: Solution) -> FloatArray:
    """Relative prediction error covariance of left_k with right_k (m,); both rows of a pair belong to one sensor."""
    i = left.sensor
    sl = symmetric(so.s[:, i], left.z.T)
    sr = sl if right is left else symmetric(so.s[:, i], right.z.T)
    out = (left.z.T * sr).sum(0) + (sl * symmetric(so.spread[:, i], sr)).sum(0)
    fx = so.fx[:, :, i]
    xl = left.x - (fx[0] * sl[0] + fx[1] * sl[1]).T
    xr = right.x - (fx[0] * sr[0] + fx[1] * sr[1]).T
    if left.t is not None:
        xl = xl - left.t @ so.e
    if right.t is not None:
        xr = xr - right.t @ so.e
    if left.t is not None or right.t is not None:
        out += crossed_terms(i, left.t, right.t, sl, sr, so)
    root = so.eliminated.beta_root
    out += ((xl @ root.T) * (xr @ root.T)).sum(1)
    return out + (left.gamma if right is left else 0.0)


def wander_means(so: Solution, noise: ClockNoise) -> FloatArray:
    """E(W | y) at every reading (N,)."""
    residual = plain_residual(so.sums.layout, so.eliminated.beta, so.u, so.v)
    return noise.means(residual)
