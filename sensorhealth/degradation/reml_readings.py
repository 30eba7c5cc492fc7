"""Prediction error variance of the latent reading at every reading, unit by unit (the formula of `reml_rows`)."""

from __future__ import annotations

import numpy as np

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination_blocks import Unit
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_score import symmetric
from sensorhealth.degradation.reml_solution import Solution

CHUNK_CELLS = 4_000_000  # readings x columns worked on at once


def fitted_variance(so: Solution, noise: ClockNoise | None) -> FloatArray:
    """Relative variance of x'beta + z'u + t'c (+ W) at every reading (N,)."""
    layout = so.sums.layout
    out = np.empty(len(layout.data.y))
    block, theta = -1, np.empty(0)
    for k, unit in enumerate(layout.units):
        if unit.block != block:
            block, theta = unit.block, so.eliminated.covariances[unit.block]
        e = so.e[layout.blocks[unit.block].columns]
        if noise is None:
            out[unit.readings] = _white(so, k, unit, theta, e)
        else:
            out[unit.readings] = _wandering(so, k, unit, theta, e, noise)
    return out


def _white(so: Solution, k: int, unit: Unit, theta: FloatArray, e: FloatArray) -> FloatArray:
    layout, pairs = so.sums.layout, so.sums.pairs(k)
    g = layout.data.g[unit.readings]
    z = np.stack((np.ones_like(g), g))
    sz = symmetric(so.s[:, unit.sensors][:, unit.sensor], z)
    out = (z * sz).sum(0) + (sz * symmetric(so.spread[:, unit.sensors][:, unit.sensor], sz)).sum(0)
    fx = so.fx[:, :, unit.sensors][:, :, unit.sensor]
    x = layout.data.x[unit.readings] - (fx[0] * sz[0] + fx[1] * sz[1]).T
    if len(unit.column):
        entry = np.arange(len(g)) if unit.entry is None else unit.entry
        value = np.ones(len(unit.column)) if unit.value is None else unit.value
        met = pairs.meet(theta, unit.pair)
        out -= 2 * np.bincount(entry, value * (met * sz[:, entry]).sum(0), len(g))
        for d in range(len(layout.data.classes)):
            first = np.flatnonzero(entry[d:] == entry[: len(entry) - d])
            weight = theta[unit.column[first], unit.column[first + d]] * value[first] * value[first + d]
            out += np.bincount(entry[first], weight * (2.0 if d else 1.0), len(g))
        for j in range(e.shape[1]):
            x[:, j] -= np.bincount(entry, value * e[unit.column, j], len(g))
    return out + ((x @ so.eliminated.beta_root.T) ** 2).sum(1)


def _wandering(so: Solution, k: int, unit: Unit, theta: FloatArray, e: FloatArray, noise: ClockNoise) -> FloatArray:
    """Rows reduced by what the readings say of W: (1/w) R^-1 of the design, a few sensors at a time."""
    layout, pairs = so.sums.layout, so.sums.pairs(k)
    width = len(theta)
    readings = np.arange(len(layout.data.y))[unit.readings]
    bounds = np.searchsorted(unit.sensor, np.arange(unit.sensor_count + 1))
    s, fx = so.s[:, unit.sensors], so.fx[:, :, unit.sensors]
    left = noise.smoothed_variance()[readings]
    out = np.empty(len(readings))
    step = max(1, int(CHUNK_CELLS * unit.sensor_count / max(len(readings) * max(width, 1), 1)))
    for begin in range(0, unit.sensor_count, step):
        end = min(begin + step, unit.sensor_count)
        part = slice(int(bounds[begin]), int(bounds[end]))
        if part.start == part.stop:
            continue
        own, sensor = readings[part], unit.sensor[part] - begin
        touched = _touched(unit, part, width)
        g = layout.data.g[own]
        design = np.column_stack((layout.data.x[own], np.ones_like(g), g, touched))
        reduced = noise.solve(design, own) / layout.weights[own, None]
        p = layout.fixed
        z = reduced[:, p : p + 2].T
        sz = symmetric(s[:, begin:end][:, sensor], z)
        table = pairs.take(np.arange(begin, end))
        m = reduced[:, p + 2 :] - sz[0, :, None] * table[0][sensor] - sz[1, :, None] * table[1][sensor]
        own_fx = fx[:, :, begin:end][:, :, sensor]
        x = reduced[:, :p] - reduced[:, p + 2 :] @ e - (own_fx[0] * sz[0] + own_fx[1] * sz[1]).T
        out[part] = left[part] + (z * sz).sum(0) + np.einsum("mc,mc->m", m @ theta, m)
        out[part] += ((x @ so.eliminated.beta_root.T) ** 2).sum(1)
    return out


def _touched(unit: Unit, part: slice, width: int) -> FloatArray:
    """T of some readings of a unit, dense."""
    out = np.zeros((part.stop - part.start, width))
    entry = np.arange(len(unit.column)) if unit.entry is None else unit.entry
    first, last = np.searchsorted(entry, (part.start, part.stop))
    value = np.ones(last - first) if unit.value is None else unit.value[first:last]
    np.add.at(out, (entry[first:last] - part.start, unit.column[first:last]), value)
    return out
