"""Sensors eliminated in closed 2x2 form, crossed effects block by block by Cholesky, fixed effects last.

All relative to the residual variance: D (2x2) covariance of a sensor's intercept and slope, theta variances of the
crossed classes, t = sqrt(theta) by column. With WW = Z'R^-1Z of a sensor,
``S = D (I + WW D)^-1 = (D + |D| adj(WW)) / |I + WW D|`` holds for singular D and adds nothing but positive terms.
``U = TT - sum P S P'``, ``A = I + t U t``: Henderson's equations absorbed (Henderson 1975, Biometrics 31:423-447);
criterion of Bates, Maechler, Bolker and Walker (2015, J. Stat. Softw. 67(1)), equations 34 and 41.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.linalg import cholesky, lapack, solve_triangular

from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.errors import FitError


@dataclass(frozen=True)
class SensorBlocks:
    """What a unit's sensors become at one D; the sensor is the last axis, rows as named."""

    s: FloatArray  # (3, n) S: 11, 12, 22
    root: FloatArray  # (3, n) lower K with S = K K': 11, 21, 22
    back: FloatArray  # (4, n) Q = (I + WW D)^-1: 11, 12, 21, 22
    zvz: FloatArray  # (3, n) Z'V1^-1Z, V1 = R + Z D Z': 11, 12, 22
    log_det: float  # sum of log|I + WW D|


def sensor_blocks(ww: FloatArray, d: FloatArray) -> SensorBlocks:
    """Closed forms from WW (3, n) and D (2, 2), which may be singular."""
    w11, w12, w22 = ww
    d11, d12, d22 = d[0, 0], d[0, 1], d[1, 1]
    det_d = max(d11 * d22 - d12 * d12, 0.0)
    det_w = np.maximum(w11 * w22 - w12 * w12, 0.0)
    det = 1.0 + w11 * d11 + 2 * w12 * d12 + w22 * d22 + det_w * det_d
    s = np.stack((d11 + det_d * w22, d12 - det_d * w12, d22 + det_d * w11)) / det
    first = np.sqrt(s[0])
    safe = np.where(first > 0, first, 1.0)
    last = np.where(first > 0, np.sqrt(det_d / det) / safe, np.sqrt(s[2]))
    root = np.stack((first, s[1] / safe, last))
    cross = w12 * d12
    back = np.stack((1.0 + cross + w22 * d22, -(w11 * d12 + w12 * d22), -(w12 * d11 + w22 * d12), 1.0 + w11 * d11 + cross))
    zvz = np.stack((w11 + det_w * d22, w12 - det_w * d12, w22 + det_w * d11)) / det
    return SensorBlocks(s, root, back / det, zvz, float(np.log(det).sum()))


@dataclass(frozen=True)
class Absorbed:
    """One block with the sensors of a shard gone."""

    u: FloatArray  # (C_b, C_b)
    rhs: FloatArray  # (C_b, q) T'V1^-1[X y]

    def __add__(self, other: Absorbed) -> Absorbed:
        return Absorbed(self.u + other.u, self.rhs + other.rhs)


@dataclass(frozen=True)
class FirstPass:
    """All that the criterion needs of a shard of sensors; shards add up."""

    blocks: dict[int, Absorbed]  # only those that the shard's sensors touch
    schur: FloatArray  # (q, q) what is left for [X y]
    log_det: float  # log|R| + sum of log|I + WW D|

    def __add__(self, other: FirstPass) -> FirstPass:
        blocks = dict(self.blocks)
        for b, absorbed in other.blocks.items():
            blocks[b] = blocks[b] + absorbed if b in blocks else absorbed
        return FirstPass(blocks, self.schur + other.schur, self.log_det + other.log_det)


def absorb_sensors(sums: Sums, d: FloatArray) -> FirstPass:
    """Eliminate the sensors of a shard at D (2, 2)."""
    blocks, schur, log_det = {}, sums.xx, sums.log_det
    for b, block in enumerate(sums.layout.blocks):
        if block.units:
            blocks[b], own, more = _absorb_block(sums, d, b)
            schur += own
            log_det += more
    return FirstPass(blocks, schur, log_det)


def _absorb_block(sums: Sums, d: FloatArray, b: int) -> tuple[Absorbed, FloatArray, float]:
    layout = sums.layout
    own, tt = layout.blocks[b], sums.tt[b]
    u = np.diag(tt) if tt.ndim == 1 else tt.copy()
    rhs = sums.tx[own.columns]
    q = rhs.shape[1]
    schur, log_det = np.zeros((q, q)), 0.0
    for k in own.units:
        unit = layout.units[k]
        sensors = sensor_blocks(sums.ww[:, unit.sensors], d)
        right = _rotate(sensors.root, sums.wx[:, :, unit.sensors])
        outer, thin = sums.pairs(k).outer(sensors.root, right)
        u -= outer
        rhs = rhs - thin
        schur -= right[0] @ right[0].T + right[1] @ right[1].T
        log_det += sensors.log_det
    return Absorbed(u, rhs), schur, log_det


def _rotate(root: FloatArray, wx: FloatArray) -> FloatArray:
    """K' wx for each sensor (2, q, n)."""
    return np.stack((root[0] * wx[0] + root[1] * wx[1], root[2] * wx[1]))


@dataclass(frozen=True)
class SolvedBlock:
    """Crossed effects of one block."""

    t: FloatArray  # (C_b,) relative standard deviations (known scales left out)
    u: FloatArray  # (C_b, C_b)
    rhs: FloatArray  # (C_b, q)
    a_inverse: FloatArray  # (C_b, C_b) inverse of A = I + t U t
    e: FloatArray  # (C_b, q) theta^ rhs
    log_det: float  # log|A|

    @property
    def theta_inverse(self) -> FloatArray:
        """theta^ = t A^-1 t: relative covariance of the effects given beta (C_b, C_b)."""
        return self.a_inverse * self.t[:, None] * self.t[None, :]


def solve_block(absorbed: Absorbed, t: FloatArray) -> SolvedBlock:
    """Cholesky factor and inverse of A."""
    size = len(t)
    if size == 0:
        empty = np.zeros((0, absorbed.rhs.shape[1]))
        return SolvedBlock(t, absorbed.u, empty, absorbed.u, empty, 0.0)
    a = absorbed.u * t[:, None]
    a *= t[None, :]
    a.ravel()[:: size + 1] += 1.0
    factor, info = lapack.dpotrf(a.T, lower=0, overwrite_a=1, clean=0)
    if info != 0:
        raise np.linalg.LinAlgError("the crossed effects' matrix is not positive definite")
    log_det = 2.0 * float(np.log(np.diag(factor)).sum())
    upper, info = lapack.dpotri(factor, lower=0, overwrite_c=1)
    inverse = np.triu(upper)
    inverse += np.triu(upper, 1).T
    e = t[:, None] * (inverse @ (t[:, None] * absorbed.rhs))
    return SolvedBlock(t, absorbed.u, absorbed.rhs, inverse, e, log_det)


@dataclass(frozen=True)
class Eliminated:
    """The system at one set of relative variances, solved for crossed and fixed effects."""

    layout: Layout
    d: FloatArray  # (2, 2)
    t: FloatArray  # (C,)
    blocks: Sequence[SolvedBlock]
    beta: FloatArray  # (p,) about the layout's start
    beta_root: FloatArray  # (p, p): relative covariance of beta = root' root
    rss: float
    log_det: float  # log|V| without the residual variance
    log_det_x: float  # log|X'V^-1X|

    @property
    def contrast(self) -> FloatArray:
        """(q,) coefficients that turn [X y] into y - X beta."""
        return np.append(-self.beta, 1.0)

    @cached_property
    def e(self) -> FloatArray:
        """theta^ T'V1^-1[X y] of all columns (C, q); its product with the contrast is v."""
        out = np.empty((len(self.t), len(self.beta) + 1))
        for block, solved in zip(self.layout.blocks, self.blocks):
            out[block.columns] = solved.e
        return out

    @cached_property
    def v(self) -> FloatArray:
        """Predicted crossed effects (C,), known scales left out."""
        return self.e @ self.contrast

    @cached_property
    def theta_inverse(self) -> FloatArray | sparse.csr_array:
        """Relative covariance of the crossed effects given beta (C, C): dense for one block, else block by block."""
        real = [k for k, block in enumerate(self.layout.blocks) if len(block.columns)]
        if not real:
            return np.zeros((0, 0))
        if len(real) == 1:
            return self.blocks[real[0]].theta_inverse
        rows, columns, values = [], [], []
        for k in real:
            own = self.layout.blocks[k].columns
            rows.append(np.repeat(own, len(own)))
            columns.append(np.tile(own, len(own)))
            values.append(self.blocks[k].theta_inverse.ravel())
        where = (np.concatenate(rows), np.concatenate(columns))
        return sparse.csr_array((np.concatenate(values), where), shape=(len(self.t), len(self.t)))

    @cached_property
    def theta_diagonal(self) -> FloatArray:
        """Its diagonal (C,)."""
        out = np.empty(len(self.t))
        for block, solved in zip(self.layout.blocks, self.blocks):
            out[block.columns] = np.diag(solved.a_inverse) * solved.t**2
        return out


def eliminate(layout: Layout, sums: Sums, d: FloatArray, theta: FloatArray) -> Eliminated:
    """Solve at relative variances d (2, 2) and theta (K,), one per crossed class."""
    return solve_all(layout, absorb_sensors(sums, d), d, theta)


def solve_all(layout: Layout, first: FirstPass, d: FloatArray, theta: FloatArray) -> Eliminated:
    """Crossed and fixed effects from what all sensors left."""
    t = np.sqrt(theta)[layout.class_of_column]
    schur, log_det = first.schur.copy(), first.log_det
    blocks = []
    for b, block in enumerate(layout.blocks):
        size = len(block.columns)
        absorbed = first.blocks.get(b)
        if absorbed is None:  # columns that no reading touches
            absorbed = Absorbed(np.zeros((size, size)), np.zeros((size, len(schur))))
        solved = solve_block(absorbed, t[block.columns])
        schur -= solved.rhs.T @ solved.e
        log_det += solved.log_det
        blocks.append(solved)
    beta, root, rss, log_det_x = solve_fixed(0.5 * (schur + schur.T))
    return Eliminated(layout, d, t, blocks, beta, root, rss, log_det, log_det_x)


def solve_fixed(schur: FloatArray) -> tuple[FloatArray, FloatArray, float, float]:
    """Generalised least squares from the (q, q) remainder: beta, root of its relative covariance, rss, log|X'V^-1X|."""
    p = len(schur) - 1
    if p == 0:
        return np.empty(0), np.empty((0, 0)), float(schur[0, 0]), 0.0
    try:
        factor = cholesky(schur[:p, :p], lower=True, check_finite=False)
    except np.linalg.LinAlgError as error:
        raise FitError("fixed effects are confounded with each other; leave one of them out") from error
    root = solve_triangular(factor, np.eye(p), lower=True, check_finite=False)
    z = root @ schur[:p, p]
    return root.T @ z, root, float(schur[p, p] - z @ z), 2.0 * float(np.log(np.diag(factor)).sum())
