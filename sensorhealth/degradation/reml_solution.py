"""Predictions of all effects at one set of variances, and the arrays that their errors need."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from sensorhealth.degradation.elimination import Eliminated
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_score import unit_state


@dataclass(frozen=True)
class Solution:
    """n sensors, C columns, all relative to the residual variance."""

    eliminated: Eliminated
    s: FloatArray  # (3, n) covariance of a sensor's effects given crossed effects and beta
    u: FloatArray  # (2, n) sensors' intercepts and slopes
    spread: FloatArray  # (3, n) P' theta^ P
    fx: FloatArray  # (2, p, n) WX - P'E for the fixed effects
    v: FloatArray  # (C,) crossed effects, known scale left out
    e: FloatArray  # (C, p) how far the crossed effects follow beta

    @cached_property
    def theta(self) -> FloatArray | sparse.csr_array:
        """Relative covariance of the crossed effects given beta (C, C): dense for one block, else block by block."""
        layout, blocks = self.eliminated.layout, self.eliminated.blocks
        real = [k for k, block in enumerate(layout.blocks) if len(block.columns)]
        if len(real) == 1:
            return blocks[real[0]].theta_inverse
        rows, columns, values = [], [], []
        for k in real:
            own = layout.blocks[k].columns
            rows.append(np.repeat(own, len(own)))
            columns.append(np.tile(own, len(own)))
            values.append(blocks[k].theta_inverse.ravel())
        if not real:
            return np.zeros((0, 0))
        where = (np.concatenate(rows), np.concatenate(columns))
        return sparse.csr_array((np.concatenate(values), where), shape=(layout.columns, layout.columns))

    @cached_property
    def theta_diagonal(self) -> FloatArray:
        """Its diagonal (C,)."""
        out = np.empty(self.eliminated.layout.columns)
        for block, solved in zip(self.eliminated.layout.blocks, self.eliminated.blocks):
            out[block.columns] = np.diag(solved.a_inverse) * solved.t**2
        return out

    @cached_property
    def pairs(self) -> sparse.csr_array:
        """P of every sensor, rows 2i and 2i + 1 (2n, C)."""
        layout, sums = self.eliminated.layout, self.eliminated.sums
        count = len(layout.sensor)
        rz = np.stack((np.ones(count), layout.data.g)) if sums.rz is None else sums.rz
        rows = np.concatenate((2 * layout.sensor, 2 * layout.sensor + 1))
        columns = np.tile(np.arange(count), 2)
        stacked = sparse.csr_array((rz.ravel(), (rows, columns)), shape=(2 * layout.sensors, count))
        return (stacked @ layout.crossed).tocsr()


def solve_effects(el: Eliminated) -> Solution:
    """Back-substitution for all sensors."""
    layout, p = el.layout, el.layout.fixed
    n = layout.sensors
    s, spread, u, fx = np.zeros((3, n)), np.zeros((3, n)), np.zeros((2, n)), np.zeros((2, p, n))
    for block, solved in zip(layout.blocks, el.blocks):
        theta = solved.theta_inverse
        for k in block.units:
            own = layout.units[k].sensors
            state = unit_state(el.sums, k, el.sums.pairs(k), el.d, solved.e, theta, el.contrast)
            s[:, own], spread[:, own], u[:, own], fx[:, :, own] = state.blocks.s, state.spread, state.u, state.left[:, :p]
    return Solution(el, s, u, spread, fx, el.v, el.blockwise("e")[:, :p])
