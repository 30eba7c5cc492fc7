"""Prediction error variance of the latent reading at every reading, unit by unit (the formula of `reml_rows`)."""

from __future__ import annotations

import numpy as np

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination_blocks import Unit
from sensorhealth.degradation.elimination_whole import Whole
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_score import symmetric
from sensorhealth.degradation.reml_solution import Solution


def fitted_variance(so: Solution, noise: ClockNoise | None) -> FloatArray:
    """Relative variance of x'beta + z'u + t'c (+ W) at every reading (N,)."""
    layout = so.sums.layout
    out = np.empty(len(layout.data.y))
    if noise is not None:
        for part in layout.parts:
            out[layout.readings(part)] = _wandering(so, part, noise)
        return out
    if layout.at_once and layout.whole is not None:
        return _white_at_once(so, layout.whole)
    block, theta = -1, np.empty(0)
    for k, unit in enumerate(layout.units):
        if unit.block != block:
            block, theta = unit.block, so.eliminated.covariances[unit.block]
        e = so.e[layout.blocks[unit.block].columns]
        out[unit.readings] = _white(so, k, unit, theta, e)
    return out


def _white_at_once(so: Solution, whole: Whole) -> FloatArray:
    """As `_white`, for the readings of all units."""
    layout, fronts, size = so.sums.layout, whole.fronts, len(so.sums.layout.data.y)
    g, sensor = layout.data.g, layout.sensor
    s, spread = np.stack((so.s[:2], so.s[1:])), np.stack((so.spread[:2], so.spread[1:]))
    own = s + np.einsum("abn,bcn,cdn->adn", s, spread, s)  # what a sensor's line is known by, about the crossed effects
    own = np.stack((own[0, 0], 2.0 * own[0, 1], own[1, 1]))[:, sensor]
    out = own[0] + g * (own[1] + g * own[2])
    sz = symmetric(so.s[:, sensor], np.stack((np.ones_like(g), g)))
    cell, reading, product = whole.products
    theta = {b: so.eliminated.covariances[b] for b in fronts.blocks}
    if len(cell):
        out += 2.0 * np.bincount(reading, product * fronts.cells(theta)[cell], size)
    for k, unit in enumerate(layout.units):
        if len(unit.column):
            met, own = so.sums.pairs(k).meet(theta[unit.block], unit.pair), sz[:, unit.readings]
            weighted = (met * (own if unit.entry is None else own[:, unit.entry])).sum(0)
            weighted = weighted if unit.value is None else weighted * unit.value
            out[unit.readings] -= 2.0 * (weighted if unit.entry is None else np.bincount(unit.entry, weighted, own.shape[1]))
    line = symmetric(so.s[:, None], so.fx)[:, :, sensor]
    x = layout.data.x - (line[0] + g * line[1]).T
    if len(cell):
        x -= layout.table @ so.e[np.concatenate([layout.blocks[b].columns for b in fronts.blocks])]
    return out + ((x @ so.eliminated.beta_root.T) ** 2).sum(1)


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


def _wandering(so: Solution, part: int, noise: ClockNoise) -> FloatArray:
    """Rows reduced by what the readings say of W, (1/w) R^-1 of the design, on the columns that each sensor meets."""
    layout, p, fronts = so.sums.layout, so.sums.layout.fixed, so.sums.layout.fronts(part)
    s, spread, fx = so.s, so.spread, so.fx
    own = layout.readings(part)
    sensor = layout.sensor[own]
    theta = fronts.cells({b: so.eliminated.covariances[b] for b in fronts.blocks})
    e = so.e[np.concatenate([layout.blocks[b].columns for b in fronts.blocks])]
    white = 1.0 / layout.weights[own, None]
    g = layout.data.g[own]
    plain = white * noise.solve(np.column_stack((layout.data.x[own], np.ones_like(g), g)), own)
    z = plain[:, p:].T
    sz = symmetric(s[:, sensor], z)
    x = plain[:, :p] - (fx[0][:, sensor] * sz[0] + fx[1][:, sensor] * sz[1]).T
    out = noise.smoothed_variance()[own] + (z * sz).sum(0) + (sz * symmetric(spread[:, sensor], sz)).sum(0)
    rz = np.asarray(so.sums.rz)[:, own].T
    for some in layout.meetings(part):
        here = some.own
        reduced = some.padded(white[here]) * some.solved(noise)
        padded_sz = some.padded(sz[:, here].T)
        met = some.total(rz[here])  # P of each sensor in its slots
        across = reduced - 2.0 * padded_sz @ met.transpose(0, 2, 1)
        left = np.einsum("nmc,nmc->nm", reduced @ some.gather(theta), across)
        out[here] += left[some.sensor, some.place]
        x[here] -= (reduced @ some.pick(e))[some.sensor, some.place]
    return out + ((x @ so.eliminated.beta_root.T) ** 2).sum(1)
