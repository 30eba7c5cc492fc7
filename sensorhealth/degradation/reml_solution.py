"""Predictions of all effects at one set of variances, and the arrays that their errors need."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from sensorhealth.degradation.elimination import blocks_of
from sensorhealth.degradation.elimination_columns import Eliminated
from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_score import state_of, symmetric, tell_back


@dataclass(frozen=True)
class Solution:
    """n sensors, C columns, all relative to the residual variance."""

    eliminated: Eliminated
    sums: Sums
    s: FloatArray  # (3, n) covariance of a sensor's effects given crossed effects and beta
    u: FloatArray  # (2, n) sensors' intercepts and slopes
    spread: FloatArray  # (3, n) P' theta^ P
    fx: FloatArray  # (2, p, n) WX - P'E for the fixed effects
    v: FloatArray  # (C,) crossed effects, known scale left out
    e: FloatArray  # (C, p) how far the crossed effects follow beta

    @cached_property
    def pairs(self) -> sparse.csr_array:
        """P of every sensor, rows 2i and 2i + 1 (2n, C)."""
        layout, sums = self.sums.layout, self.sums
        count = len(layout.sensor)
        rz = np.stack((np.ones(count), layout.data.g)) if sums.rz is None else sums.rz
        rows = np.concatenate((2 * layout.sensor, 2 * layout.sensor + 1))
        columns = np.tile(np.arange(count), 2)
        stacked = sparse.csr_array((rz.ravel(), (rows, columns)), shape=(2 * layout.sensors, count))
        return (stacked @ layout.crossed).tocsr()


def sensor_means(el: Eliminated, sums: Sums) -> FloatArray:
    """Sensors' intercepts and slopes alone (2, n): none of what their errors need."""
    layout = sums.layout
    u, effects = np.zeros((2, layout.sensors)), [front @ el.contrast for front in el.fronts]
    for where, units in layout.gangs:
        left = np.tensordot(sums.wx[:, :, where], el.contrast, (1, 0))
        for k in units:
            left[:, layout.place(k)] -= sums.pairs(k).gather(effects[layout.units[k].block][:, None])[:, 0]
        u[:, where] = symmetric(blocks_of(sums, where, el.d).s, left)
    return u


def solve_effects(el: Eliminated, sums: Sums) -> Solution:
    """Back-substitution for all sensors."""
    layout, p = sums.layout, sums.layout.fixed
    n = layout.sensors
    s, spread, u, fx = np.zeros((3, n)), np.zeros((3, n)), np.zeros((2, n)), np.zeros((2, p, n))
    back = tell_back(el, True, 0)
    for where, units in layout.gangs:
        state = state_of(sums, where, units, back)
        s[:, where], spread[:, where], u[:, where] = state.blocks.s, state.spread, state.u
        fx[:, :, where] = state.left[:, :p]
    return Solution(el, sums, s, u, spread, fx, el.v, el.e[:, :p])
