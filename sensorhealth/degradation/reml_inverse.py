"""The inverse covariance of all readings times any columns, and the parts that make up the covariance.

``V1^-1 = R^-1 - R^-1 Z S Z'R^-1`` for the sensors, ``V^-1 = V1^-1 - V1^-1 T Th T'V1^-1`` for the crossed effects (Woodbury's
identity), from what one evaluation has factored already: no further factor however many columns.
"""

from __future__ import annotations

import numpy as np
from scipy import sparse

from sensorhealth.degradation.elimination_columns import Eliminated
from sensorhealth.degradation.reml_criterion import Evaluation
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_score import symmetric


class Covariance:
    """V of one evaluation, in absolute terms. N readings, n sensors."""

    def __init__(self, evaluation: Evaluation) -> None:
        self.evaluation = evaluation
        self.layout = layout = evaluation.criterion.layout
        count = len(layout.sensor)
        entries = (np.stack((np.ones(count), layout.data.g)).ravel(), np.tile(np.arange(count), 2))
        rows = np.concatenate((layout.sensor, layout.sensors + layout.sensor))
        self._sensors = sparse.csr_array((entries[0], (rows, entries[1])), shape=(2 * layout.sensors, count))  # Z'
        self._effects = layout.crossed.T.tocsr()  # T'

    def solve(self, columns: FloatArray) -> FloatArray:
        """V^-1 times columns (N, k)."""
        met = self._effects @ self._without_crossed(columns)
        effects = solve_crossed(self.evaluation.eliminated, met)
        return self._without_crossed(columns - self.layout.crossed @ effects) / self.evaluation.residual

    def parts(self, columns: FloatArray) -> list[FloatArray]:
        """Derivatives of V times columns (N, k): to the residual variance, D11, D12, D22, each class's variance, the wander's."""
        layout = self.layout
        level, slope = self._by_sensor(columns)
        g, sensor = layout.data.g[:, None], layout.sensor
        level, slope = level[sensor], slope[sensor]
        noise = self.evaluation.noise
        white = columns / layout.weights[:, None] if noise is None else noise.apart_from_path(columns)
        found = [white, level, g * level + slope, g * slope]
        for begin, end in zip(layout.first_column[:-1], layout.first_column[1:]):
            found.append(layout.crossed[:, begin:end] @ (self._effects[begin:end] @ columns))
        if noise is not None:
            found.append(noise.wander(columns))
        return found

    def _by_sensor(self, columns: FloatArray) -> FloatArray:
        """Z'columns (2, n, k)."""
        return np.asarray(self._sensors @ columns).reshape(2, self.layout.sensors, -1)

    def _white(self, columns: FloatArray) -> FloatArray:
        """R^-1 columns (N, k)."""
        noise = self.evaluation.noise
        return self.layout.weights[:, None] * columns if noise is None else noise.solve(columns)

    def _without_crossed(self, columns: FloatArray) -> FloatArray:
        """V1^-1 columns (N, k), relative."""
        own = symmetric(self.evaluation.solution.s[:, :, None], self._by_sensor(self._white(columns)))
        sensor = self.layout.sensor
        return self._white(columns - own[0][sensor] - self.layout.data.g[:, None] * own[1][sensor])


def solve_crossed(el: Eliminated, right: FloatArray) -> FloatArray:
    """Th right (C, k): up the tree and down again, Th the relative covariance of the crossed effects given beta."""
    blocks = list(zip(el.layout.blocks, el.blocks, strict=True))
    left = right.copy()
    own: list[FloatArray] = []
    for block, solved in blocks:
        k = solved.own
        own.append(solved.theta @ left[block.columns[:k]])
        left[block.columns[k:]] -= solved.u[k:, :k] @ own[-1]
    out = np.zeros_like(left)
    for (block, solved), mine in zip(reversed(blocks), reversed(own)):
        k = solved.own
        out[block.columns[:k]] = mine - solved.theta @ (solved.u[:k, k:] @ out[block.columns[k:]])
    return out
