"""Sums over readings that the likelihood needs: everything that depends on the data but not on the variances.

They depend on the relative wander variance tau only, and add up over any division of the sensors into shards.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination_blocks import Unit
from sensorhealth.degradation.elimination_meetings import Meetings
from sensorhealth.degradation.elimination_pairs import Pairs
from sensorhealth.degradation.elimination_units import make_pairs
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_layout import Layout, totals

KEPT_CELLS = 4_000_000  # cells of all pair tables together up to which they are kept and not made anew at every pass


@dataclass
class Sums:
    """Products weighted by R^-1 (R: relative noise covariance), or their derivatives to tau."""

    layout: Layout
    rz: FloatArray | None  # (2, N) R^-1Z, None for white noise without weights
    ww: FloatArray  # (3, n) Z'R^-1Z: entries 11, 12, 22
    wx: FloatArray  # (2, q, n) Z'R^-1[X y]
    unit_xx: FloatArray  # (units, q, q) [X y]'R^-1[X y] of each unit
    tx: list[FloatArray]  # T'R^-1[X y] of every block (C_b, q), from its own sensors
    tt: list[FloatArray]  # T'R^-1T of every block (C_b, C_b), or (C_b,) where it is diagonal
    log_det: float  # log|R|
    blocks: dict[str, Any] = field(default_factory=dict)  # what the sensors became at the latest D and solution
    _kept: dict[int, Pairs] = field(default_factory=dict)

    @property
    def xx(self) -> FloatArray:
        """[X y]'R^-1[X y] (q, q)."""
        return np.asarray(self.unit_xx.sum(axis=0))

    def pairs(self, k: int) -> Pairs:
        """P = T'R^-1Z of unit k."""
        if k in self._kept:
            return self._kept[k]
        unit = self.layout.units[k]
        width = len(self.layout.blocks[unit.block].columns)
        out = make_pairs(unit, width, self.rz_of(unit))
        if self.layout.columns * self.layout.sensors <= KEPT_CELLS:
            self._kept[k] = out
        return out

    def rz_of(self, unit: Unit) -> FloatArray:
        """R^-1Z of a unit (2, readings)."""
        if self.rz is not None:
            return self.rz[:, unit.readings]
        g = self.layout.data.g[unit.readings]
        return np.stack((np.ones_like(g), g))


def reduce_readings(layout: Layout) -> Sums:
    """Sums for white noise (tau = 0)."""
    w = layout.data.weights
    log_det = 0.0 if w is None else -float(np.log(w).sum())
    rz = None if w is None else np.stack((w, w * layout.data.g))
    out = _empty(layout, rz, log_det)
    if layout.whole is not None:
        xy = np.column_stack((layout.data.x, layout.response))
        _add_whole(out, xy, xy if w is None else xy * w[:, None])
        for b, matrix in layout.whole.fronts.symmetric(layout.whole.same_reading(w)):
            out.tt[b] = matrix
        return out
    for k, unit in enumerate(layout.units):
        wu = None if w is None else w[unit.readings]
        xy = _unit_xy(layout, unit)
        _add_unit(out, k, out.rz_of(unit), xy, xy if wu is None else xy * wu[:, None])
        out.tt[unit.block] = out.tt[unit.block] + _same_reading(layout, unit, wu)
    return out


def reduce_wander(layout: Layout, noise: ClockNoise) -> Sums:
    """Sums at the noise's tau."""
    xy, half = _half_way(layout, noise)
    return _in_time(layout, xy, noise.whole_way(half), noise.log_det, lambda some, halves: some.add_crossing(noise, halves))


def wander_slopes(layout: Layout, noise: ClockNoise) -> Sums:
    """Derivatives of the sums to tau: d R^-1 / d tau = -R^-1 K R^-1."""
    xy, half = _half_way(layout, noise)
    slope = -noise.whole_way(noise.half_way(noise.stepped(half)))
    return _in_time(layout, xy, slope, noise.d_log_det, lambda some, halves: some.add_crossing_slope(noise, halves))


def _in_time(
    layout: Layout, xy: FloatArray, solved: FloatArray, log_det: float, crossing: Callable[[Meetings, FloatArray], None]
) -> Sums:
    """Sums of [X y] (N, q) with `solved` (N, q + 2) of [X y Z]; `crossing` adds those of the crossed columns that meet."""
    out = _empty(layout, np.ascontiguousarray(solved[:, -2:].T), log_det)
    if layout.whole is not None:
        _add_whole(out, xy, solved[:, :-2])
    else:
        for k, unit in enumerate(layout.units):
            _add_unit(out, k, out.rz_of(unit), xy[unit.readings], solved[unit.readings, :-2])
    for part in layout.parts:
        fronts = layout.fronts(part)
        halves = np.zeros(int(fronts.square[-1]))
        for some in layout.meetings(part):
            crossing(some, halves)
        for b, matrix in fronts.symmetric(halves):
            out.tt[b] = out.tt[b] + matrix
    return out


def _half_way(layout: Layout, noise: ClockNoise) -> tuple[FloatArray, FloatArray]:
    """[X y] (N, q), and R^-1 [X y Z] (N, q + 2) before its last step."""
    xy = np.column_stack((layout.data.x, layout.response))
    g = layout.data.g
    return xy, noise.half_way(noise.differences(np.column_stack((xy, np.ones(len(g)), g))), overwrite=True)


def _empty(layout: Layout, rz: FloatArray | None, log_det: float) -> Sums:
    n, q = layout.sensors, layout.fixed + 1
    tt = [np.zeros(len(b.columns)) for b in layout.blocks]
    tx = [np.zeros((len(b.columns), q)) for b in layout.blocks]
    return Sums(
        layout,
        rz,
        np.zeros((3, n)),
        np.zeros((2, q, n)),
        np.zeros((len(layout.units), q, q)),
        tx,
        tt,
        log_det,
    )


def _unit_xy(layout: Layout, unit: Unit) -> FloatArray:
    x = layout.data.x[unit.readings]
    xy = np.empty((len(x), x.shape[1] + 1))
    xy[:, :-1] = x
    xy[:, -1] = layout.data.y[unit.readings] - x @ layout.start
    return xy


def _add_whole(out: Sums, xy: FloatArray, rx: FloatArray) -> None:
    """Everything of all units but T'R^-1T; rx = R^-1 xy (N, q)."""
    layout, whole, q = out.layout, out.layout.whole, rx.shape[1]
    assert whole is not None
    g = layout.data.g
    rz = np.stack((np.ones_like(g), g)) if out.rz is None else out.rz
    stacked = np.empty((2 * q + 3, len(g)))
    stacked[:q] = rx.T
    np.multiply(stacked[:q], g, out=stacked[q : 2 * q])
    stacked[2 * q : -1] = rz
    np.multiply(rz[1], g, out=stacked[-1])
    added = layout.by_sensor(stacked)
    out.wx[:], out.ww[:] = added[:-3].reshape(2, q, -1), added[-3:]
    touched = layout.turned_table @ rx
    for k, b in enumerate(whole.fronts.blocks):
        out.tx[b] = touched[whole.fronts.first[k] : whole.fronts.first[k + 1]]
    for k, unit in enumerate(layout.units):
        out.unit_xx[k] = xy[unit.readings].T @ rx[unit.readings]


def _add_unit(out: Sums, k: int, rz: FloatArray, xy: FloatArray, rx: FloatArray) -> None:
    """Everything of one unit but T'R^-1T."""
    layout, unit = out.layout, out.layout.units[k]
    n, sensor = unit.sensor_count, unit.sensor
    g = layout.data.g[unit.readings]
    ww = np.stack((totals(sensor, rz[0], n), totals(sensor, rz[1], n), totals(sensor, g * rz[1], n)))
    wx = np.empty((2, rx.shape[1], n))
    width = len(layout.blocks[unit.block].columns)
    tx = out.tx[unit.block]
    for j in range(rx.shape[1]):
        one = np.ascontiguousarray(rx[:, j])
        wx[0, j] = totals(sensor, one, n)
        wx[1, j] = totals(sensor, g * one, n)
        if width:
            met = one if unit.entry is None else one[unit.entry]
            tx[:, j] += totals(unit.column, met if unit.value is None else met * unit.value, width)
    out.ww[:, unit.sensors], out.wx[:, :, unit.sensors] = ww, wx
    out.unit_xx[k] = xy.T @ rx


def _same_reading(layout: Layout, unit: Unit, weights: FloatArray | None) -> FloatArray:
    """T'WT of a unit: (C_b,) if every reading touches one column, else (C_b, C_b)."""
    width = len(layout.blocks[unit.block].columns)
    value = np.ones(len(unit.column)) if unit.value is None else unit.value
    weight = value if weights is None else value * (weights if unit.entry is None else weights[unit.entry])
    out = totals(unit.column, weight * value, width)
    if unit.entry is None or width == 0:
        return out
    full = np.zeros((width, width))
    for d in range(1, len(layout.data.classes)):
        first = np.flatnonzero(unit.entry[d:] == unit.entry[:-d])
        key = unit.column[first].astype(np.int64) * width + unit.column[first + d]
        full += totals(key, weight[first] * value[first + d], width * width).reshape(width, width)
    return full + full.T + np.diag(out)
