"""Predictions of all effects at one set of variances, and the arrays that their errors need."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from sensorhealth.degradation.elimination import unit_blocks
from sensorhealth.degradation.elimination_columns import Eliminated
from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_score import symmetric, tell_back, unit_state


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
    u = np.zeros((2, layout.sensors))
    for b, block in enumerate(layout.blocks):
        effects = el.fronts[b] @ el.contrast
        for k in block.units:
            own = layout.units[k].sensors
            left = np.tensordot(sums.wx[:, :, own], el.contrast, (1, 0)) - sums.pairs(k).gather(effects[:, None])[:, 0]
            u[:, own] = symmetric(unit_blocks(sums, k, el.d).s, left)
    return u


def solve_effects(el: Eliminated, sums: Sums) -> Solution:
    """Back-substitution for all sensors."""
    layout, p = sums.layout, sums.layout.fixed
    n = layout.sensors
    s, spread, u, fx = np.zeros((3, n)), np.zeros((3, n)), np.zeros((2, n)), np.zeros((2, p, n))
    back = tell_back(el, True, 0)
    for block in layout.blocks:
        for k in block.units:
            own = layout.units[k].sensors
            state = unit_state(sums, k, sums.pairs(k), back)
            s[:, own], spread[:, own], u[:, own] = state.blocks.s, state.spread, state.u
            fx[:, :, own] = state.left[:, :p]
    return Solution(el, sums, s, u, spread, fx, el.v, el.e[:, :p])
