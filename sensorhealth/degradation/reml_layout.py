"""Where each reading goes: which sensor, which columns of the crossed effects, which (sensor, column) pair."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from sensorhealth.degradation.brownian import Clock, make_clock
from sensorhealth.degradation.reml_data import CrossedData, FloatArray, IntArray
from sensorhealth.errors import FitError


@dataclass(frozen=True)
class Layout:
    """Index arrays that do not depend on any parameter. N readings, n sensors, C columns, P pairs, q = p + 1."""

    data: CrossedData
    sensor: IntArray  # (N,)
    weights: FloatArray  # (N,)
    z: FloatArray  # (N, 2) columns 1 and g
    xy: FloatArray  # (N, q) fixed effects and y less its least-squares fit
    start: FloatArray  # (p,) that fit's coefficients
    columns: int  # C
    class_of_column: IntArray  # (C,)
    first_column: IntArray  # (K+1,)
    scale: FloatArray  # (C,)
    crossed: sparse.csr_array  # (N, C) coefficients, scale included
    pair_sensor: IntArray  # (P,) sorted
    pair_column: IntArray  # (P,)
    entry_pair: IntArray  # pair of each stored entry of `crossed`
    entry_reading: IntArray
    clock: Clock | None

    @property
    def sensors(self) -> int:
        return self.data.sensors

    @property
    def fixed(self) -> int:
        return self.xy.shape[1] - 1


def make_layout(data: CrossedData, *, brownian: bool) -> Layout:
    """Sort out the readings once; also takes the least-squares fit off y, which buys digits of the criterion."""
    n = len(data.y)
    sensor = np.repeat(np.arange(data.sensors), np.diff(data.offsets))
    first = np.concatenate(([0], np.cumsum([c.size for c in data.classes]))).astype(np.int64)
    scale = np.concatenate([np.ones(c.size) if c.scale is None else c.scale for c in data.classes] or [np.empty(0)])
    reading, column, value = _entries(data, first)
    value = value * scale[column]
    total = int(first[-1])
    crossed = sparse.csr_array((value, column, np.searchsorted(reading, np.arange(n + 1))), shape=(n, total))
    key, entry_pair = np.unique(sensor[reading] * max(total, 1) + column, return_inverse=True)
    weights = np.ones(n) if data.weights is None else data.weights
    start = _least_squares(data.x, data.y, weights)
    return Layout(
        data=data,
        sensor=sensor,
        weights=weights,
        z=np.column_stack((np.ones(n), data.g)),
        xy=np.column_stack((data.x, data.y - data.x @ start)),
        start=start,
        columns=total,
        class_of_column=np.repeat(np.arange(len(data.classes)), np.diff(first)),
        first_column=first,
        scale=scale,
        crossed=crossed,
        pair_sensor=key // max(total, 1),
        pair_column=key % max(total, 1),
        entry_pair=entry_pair,
        entry_reading=reading,
        clock=make_clock(data.g, data.offsets) if brownian else None,
    )


def _entries(data: CrossedData, first: IntArray) -> tuple[IntArray, IntArray, FloatArray]:
    """Reading, column and coefficient of everything that readings touch, sorted by reading."""
    parts = []
    for k, crossed in enumerate(data.classes):
        reading = np.flatnonzero(crossed.index >= 0)
        value = np.ones(len(reading)) if crossed.value is None else crossed.value[reading]
        parts.append((reading, crossed.index[reading] + first[k], value))
    if not parts:
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0)
    reading, column, value = (np.concatenate(part) for part in zip(*parts))
    order = np.argsort(reading, kind="stable")
    return reading[order], column[order].astype(np.int64), value[order].astype(float)


def _least_squares(x: FloatArray, y: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted least squares; FitError names a column that the others already make up."""
    if x.shape[1] == 0:
        return np.empty(0)
    root = np.sqrt(weights)[:, None]
    scale = np.sqrt(np.mean((root * x) ** 2, axis=0))
    if np.any(scale == 0):
        raise FitError(f"column {int(np.argmin(scale))} of the fixed effects is all zero; leave it out")
    q, r = np.linalg.qr(root * x / scale)
    weak = np.abs(np.diag(r)) < 1e-10 * np.abs(np.diag(r)).max()
    if weak.any():
        raise FitError(f"column {int(np.argmax(weak))} of the fixed effects is a combination of the earlier ones")
    return np.linalg.solve(r, q.T @ (root[:, 0] * y)) / scale


def totals(group: IntArray, values: FloatArray, size: int) -> FloatArray:
    """Sum of the values in each group. Shape (size,)."""
    return np.bincount(group, values, size).astype(float, copy=False)
