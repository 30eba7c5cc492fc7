"""Sensors eliminated in closed 2x2 form, crossed effects by a Cholesky factor, fixed effects last.

All relative to the residual variance: D (2x2) covariance of a sensor's intercept and slope, theta variances of the
crossed classes, t = sqrt(theta) by column. With WW = Z'R^-1Z of a sensor,
``S = D (I + WW D)^-1 = (D + |D| adj(WW)) / |I + WW D|`` holds for singular D and adds nothing but positive terms.
``U = TT - sum PT S PT'``, ``A = I + t U t``; Henderson's equations absorbed (Henderson 1975, Biometrics 31:423-447),
criterion of Bates, Maechler, Bolker and Walker (2015, J. Stat. Softw. 67(1)), equations 34 and 41.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.linalg import cholesky, lapack, solve_triangular

from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_layout import Layout, totals
from sensorhealth.errors import FitError


@dataclass(frozen=True)
class Eliminated:
    """The system at one set of relative variances, with the solution of the mixed-model equations."""

    layout: Layout
    sums: Sums
    d: FloatArray  # (2, 2)
    t: FloatArray  # (C,) relative standard deviation of each column (its known scale left out)
    s: FloatArray  # (n, 2, 2)
    pts: FloatArray  # (P, 2) PT S
    u_matrix: FloatArray  # (C, C)
    a_inverse: FloatArray  # (C, C) inverse of A
    theta_inverse: FloatArray  # (C, C) t A^-1 t: relative covariance of the crossed effects given beta
    rhs: FloatArray  # (C, q) T'V^-1[X y] with sensors eliminated
    e: FloatArray  # (C, q) theta_inverse @ rhs
    schur: FloatArray  # (q, q) what is left for [X y]
    beta: FloatArray  # (p,) about the least-squares start
    beta_root: FloatArray  # (p, p) inverse Cholesky factor of schur_xx: covariance = root' root
    rss: float
    log_det: float  # log|V| without the residual variance
    log_det_x: float  # log|X'V^-1X|

    @property
    def contrast(self) -> FloatArray:
        """(q,) coefficients that turn [X y] into y - X beta."""
        return np.append(-self.beta, 1.0)


def eliminate(layout: Layout, sums: Sums, d: FloatArray, theta: FloatArray) -> Eliminated:
    """Solve at relative variances d (2, 2) and theta (K,), one per crossed class."""
    s, det = _sensor_blocks(sums.ww, d)
    t = np.sqrt(theta)[layout.class_of_column]
    i, c = layout.pair_sensor, layout.pair_column
    pts = np.einsum("pa,pab->pb", sums.pt, s[i])
    u_matrix = sums.tt - _outer(layout, pts, sums.pt)
    q = sums.xx.shape[0]
    rhs = sums.tx.copy()
    for k in range(q):
        rhs[:, k] -= totals(c, (pts * sums.wx[i, :, k]).sum(1), layout.columns)
    a_inverse, log_det_a = _invert(u_matrix * t[:, None] * t[None, :])
    theta_inverse = a_inverse * t[:, None] * t[None, :]
    e = theta_inverse @ rhs
    swx = s @ sums.wx
    schur = sums.xx - np.einsum("iaq,iar->qr", sums.wx, swx) - rhs.T @ e
    beta, root, rss, log_det_x = _fixed(0.5 * (schur + schur.T))
    log_det = sums.log_det + float(np.log(det).sum()) + log_det_a
    return Eliminated(
        layout,
        sums,
        d,
        t,
        s,
        pts,
        u_matrix,
        a_inverse,
        theta_inverse,
        rhs,
        e,
        schur,
        beta,
        root,
        rss,
        log_det,
        log_det_x,
    )


def _sensor_blocks(ww: FloatArray, d: FloatArray) -> tuple[FloatArray, FloatArray]:
    """S (n, 2, 2) and |I + WW D| (n,)."""
    w11, w12, w22 = ww.T
    det_d = max(d[0, 0] * d[1, 1] - d[0, 1] ** 2, 0.0)
    det_w = np.maximum(w11 * w22 - w12 * w12, 0.0)
    det = 1.0 + w11 * d[0, 0] + 2 * w12 * d[0, 1] + w22 * d[1, 1] + det_w * det_d
    s = np.empty((len(ww), 2, 2))
    s[:, 0, 0] = (d[0, 0] + det_d * w22) / det
    s[:, 1, 1] = (d[1, 1] + det_d * w11) / det
    s[:, 0, 1] = s[:, 1, 0] = (d[0, 1] - det_d * w12) / det
    return s, det


def sparse_pairs(layout: Layout, values: FloatArray) -> sparse.csr_array:
    """Values (P, 2) of the (sensor, column) pairs as a (2n, C) matrix: rows 2i and 2i + 1 belong to sensor i."""
    rows = np.concatenate((2 * layout.pair_sensor, 2 * layout.pair_sensor + 1))
    columns = np.concatenate((layout.pair_column, layout.pair_column))
    matrix = sparse.coo_array((values.T.ravel(), (rows, columns)), shape=(2 * layout.sensors, layout.columns))
    return matrix.tocsr()


def _outer(layout: Layout, left: FloatArray, right: FloatArray) -> FloatArray:
    """sum over sensors of left_i right_i' as a dense (C, C) matrix."""
    if not len(layout.pair_sensor):
        return np.zeros((layout.columns, layout.columns))
    return (sparse_pairs(layout, left).T.tocsr() @ sparse_pairs(layout, right)).toarray()


def _invert(relative: FloatArray) -> tuple[FloatArray, float]:
    """Inverse and log determinant of I + relative."""
    size = len(relative)
    if size == 0:
        return relative, 0.0
    relative[np.diag_indices(size)] += 1.0
    factor = cholesky(relative, lower=True, overwrite_a=True, check_finite=False)
    log_det = 2.0 * float(np.log(np.diag(factor)).sum())
    inverse, info = lapack.dpotri(factor, lower=1, overwrite_c=1)
    if info != 0:
        raise np.linalg.LinAlgError("the crossed effects' matrix cannot be inverted")
    inverse = np.tril(inverse)
    return inverse + np.tril(inverse, -1).T, log_det


def _fixed(schur: FloatArray) -> tuple[FloatArray, FloatArray, float, float]:
    """Generalised least squares from the (q, q) remainder: beta, root of its relative covariance, rss, log|X'V^-1X|."""
    p = len(schur) - 1
    if p == 0:
        return np.empty(0), np.empty((0, 0)), float(schur[0, 0]), 0.0
    try:
        factor = cholesky(schur[:p, :p], lower=True, check_finite=False)
    except np.linalg.LinAlgError as error:
        raise FitError("fixed effects are confounded with each other; leave one of them out") from error
    root = solve_triangular(factor, np.eye(p), lower=True)
    z = root @ schur[:p, p]
    return root.T @ z, root, float(schur[p, p] - z @ z), 2.0 * float(np.log(np.diag(factor)).sum())
