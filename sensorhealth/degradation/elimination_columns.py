"""Crossed effects eliminated up the tree, fixed effects last, and solved for down the tree.

A block's front is its own columns O and those of ancestors S that it meets. Upwards, with t the relative standard
deviations: ``A = I + t U_OO t``, ``th = t A^-1 t``, ``U_SS - U_SO th U_OS`` is handed to the parent. Downwards the
covariance of the effects given beta is ``th + th U_OS Th_SS U_SO th`` for O and ``-th U_OS Th_SS`` between O and S
(selected inversion: Takahashi, Fagan and Chin 1973). Zero variances are harmless throughout.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.linalg import lapack

from sensorhealth.degradation.elimination import Absorbed, FirstPass, absorb_sensors
from sensorhealth.degradation.elimination_blocks import Block
from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray, IntArray
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.errors import FitError

KEPT_CELLS = 4_000_000  # of all fronts together up to which their covariances are kept


@dataclass(frozen=True)
class SolvedBlock:
    """One block with its own columns eliminated, its descendants' before them."""

    own: int  # number of its own columns, the first of the front
    t: FloatArray  # (own,) relative standard deviations (known scales left out)
    u: FloatArray  # (w, w) front: T'V^-1T with sensors and descendants absorbed
    rhs: FloatArray  # (w, q) the same with [X y]
    factor: FloatArray  # (own, own) upper Cholesky factor of A
    e: FloatArray  # (own, q) th rhs: solution were there no ancestors
    follow: FloatArray  # (own, w - own) th U_OS: how far the own effects follow the ancestors'
    log_det: float  # log|A|

    @property
    def a_inverse(self) -> FloatArray:
        """Inverse of A (own, own)."""
        if not self.own:
            return np.zeros((0, 0))
        upper, info = lapack.dpotri(self.factor, lower=0)
        if info != 0:
            raise np.linalg.LinAlgError("the crossed effects' matrix is not positive definite")
        inverse = np.asarray(upper + upper.T, order="C")
        inverse.ravel()[:: self.own + 1] *= 0.5
        return inverse

    @cached_property
    def theta(self) -> FloatArray:
        """th (own, own): relative covariance of the own effects given beta and the ancestors' effects."""
        found = self.a_inverse
        found *= self.t[:, None]
        found *= self.t[None, :]
        return found

    def left(self) -> Absorbed:
        """What the front's other columns are left with."""
        k = self.own
        return Absorbed(self.u[k:, k:] - self.u[k:, :k] @ self.follow, self.rhs[k:] - self.u[k:, :k] @ self.e)


def solve_block(front: Absorbed, t: FloatArray) -> SolvedBlock:
    """Cholesky factor of A for the first columns of a front, and what is solved with it."""
    k, q = len(t), front.rhs.shape[1]
    if k == 0:
        return SolvedBlock(0, t, front.u, front.rhs, np.zeros((0, 0)), front.rhs[:0], front.u[:0], 0.0)
    a = front.u[:k, :k] * t[:, None]
    a *= t[None, :]
    a.ravel()[:: k + 1] += 1.0
    factor, info = lapack.dpotrf(a.T, lower=0, overwrite_a=1, clean=1)
    if info != 0:
        raise np.linalg.LinAlgError("the crossed effects' matrix is not positive definite")
    log_det = 2.0 * float(np.log(np.diag(factor)).sum())
    right = np.concatenate((front.rhs[:k], front.u[:k, k:]), axis=1)
    solved = t[:, None] * lapack.dpotrs(factor, t[:, None] * right, lower=0)[0]
    return SolvedBlock(k, t, front.u, front.rhs, factor, solved[:, :q], solved[:, q:], log_det)


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
    def fronts(self) -> list[FloatArray]:
        """Solution for [X y] on every block's front (w, q)."""
        out: list[FloatArray] = [np.empty(0)] * len(self.blocks)
        for b in range(len(self.blocks) - 1, -1, -1):
            block, solved = self.layout.blocks[b], self.blocks[b]
            if block.parent < 0 or not len(block.into):
                out[b] = solved.e
                continue
            above = out[block.parent][block.into]
            out[b] = np.vstack((solved.e - solved.follow @ above, above))
        return out

    @cached_property
    def e(self) -> FloatArray:
        """Solution for [X y] on all columns (C, q); its product with the contrast is v."""
        out = np.zeros((len(self.t), len(self.beta) + 1))
        for block, front in zip(self.layout.blocks, self.fronts):
            out[block.columns[: block.own]] = front[: block.own]
        return out

    @cached_property
    def v(self) -> FloatArray:
        """Predicted crossed effects (C,), known scales left out."""
        return self.e @ self.contrast

    @cached_property
    def covariances(self) -> Covariances:
        """Relative covariance of the crossed effects given beta, by blocks."""
        return Covariances(self)

    @cached_property
    def theta_diagonal(self) -> FloatArray:
        """Its diagonal (C,)."""
        out = np.zeros(len(self.t))
        for b, block in enumerate(self.layout.blocks):
            if block.own:
                out[block.columns[: block.own]] = np.diag(self.covariances[b])[: block.own]
        return out


class Covariances(Mapping[int, FloatArray]):
    """Block -> covariance of its front (w, w), worked out when asked for; those of inner blocks, and few in all, are kept."""

    def __init__(self, eliminated: Eliminated) -> None:
        self._el = eliminated
        self._kept: dict[int, FloatArray] = {}
        self._small = sum(len(block.columns) ** 2 for block in eliminated.layout.blocks) <= KEPT_CELLS

    def __len__(self) -> int:
        return len(self._el.blocks)

    def __iter__(self) -> Iterator[int]:
        return iter(range(len(self)))

    def __getitem__(self, key: int | tuple[IntArray, IntArray]) -> FloatArray:
        return self._front(key) if isinstance(key, int) else self.between(*key)

    def _front(self, b: int) -> FloatArray:
        if b in self._kept:
            return self._kept[b]
        block, solved = self._el.layout.blocks[b], self._el.blocks[b]
        out = solved.theta
        if len(block.into):
            above = self._front(block.parent)[block.into[:, None], block.into]
            k = solved.own
            across = -solved.follow @ above
            front = np.empty((len(block.columns), len(block.columns)))
            front[:k, :k], front[:k, k:], front[k:, :k], front[k:, k:] = out - across @ solved.follow.T, across, across.T, above
            out = front
        if not block.units or self._small:
            self._kept[b] = out
        return out

    def between(self, i: IntArray, j: IntArray) -> FloatArray:
        """Covariance (m,) of columns i with columns j."""
        m, size = len(i), len(self._el.t)
        left, right = (sparse.csr_array((np.ones(m), (np.arange(m), c)), shape=(m, size)) for c in (i, j))
        return quadratic(self._el, left, right)


def quadratic(el: Eliminated, left: sparse.csr_array, right: sparse.csr_array) -> FloatArray:
    """left_k' Th right_k for sparse rows (m, C)."""
    out = np.zeros(left.shape[0])
    forward_left, forward_right = _forward(el, left), _forward(el, right)
    for b, (rows, values) in forward_left.items():
        if b in forward_right:
            other_rows, other = forward_right[b]
            _, mine, theirs = np.intersect1d(rows, other_rows, assume_unique=True, return_indices=True)
            out[rows[mine]] += np.einsum("mc,mc->m", values[mine] @ el.blocks[b].theta, other[theirs])
    return out


def _forward(el: Eliminated, rows: sparse.csr_array) -> dict[int, tuple[IntArray, FloatArray]]:
    """Rows taken up the tree: per block the rows that reach it and what they are on its own columns then."""
    order = np.concatenate([block.columns[: block.own] for block in el.layout.blocks])
    sorted_rows = rows.tocsc()[:, order].tocsc() if len(order) else rows.tocsc()
    pending: dict[int, list[tuple[IntArray, FloatArray]]] = {}
    out: dict[int, tuple[IntArray, FloatArray]] = {}
    begin = 0
    for b, block in enumerate(el.layout.blocks):
        own = sorted_rows[:, begin : begin + block.own]
        begin += block.own
        parts = pending.pop(b, [])
        reached = np.unique(np.concatenate([own.indices, *(part[0] for part in parts)])).astype(np.int64)
        if not len(reached):
            continue
        values = np.zeros((len(reached), len(block.columns)))
        values[:, : block.own] = own.tocsr()[reached].toarray()
        for part_rows, part in parts:
            values[np.searchsorted(reached, part_rows)] += part
        solved = el.blocks[b]
        out[b] = (reached, values[:, : block.own])
        if len(block.into):
            k = block.own
            up = np.zeros((len(reached), len(el.layout.blocks[block.parent].columns)))
            up[:, block.into] = values[:, k:] - values[:, :k] @ solved.follow
            pending.setdefault(block.parent, []).append((reached, up))
    return out


def eliminate(layout: Layout, sums: Sums, d: FloatArray, theta: FloatArray) -> Eliminated:
    """Solve at relative variances d (2, 2) and theta (K,), one per crossed class."""
    return solve_all(layout, absorb_sensors(sums, d), d, theta)


def solve_all(layout: Layout, first: FirstPass, d: FloatArray, theta: FloatArray) -> Eliminated:
    """Crossed and fixed effects from what all sensors left."""
    t = np.sqrt(theta)[layout.class_of_column]
    schur, log_det, q = first.schur.copy(), first.log_det, len(first.schur)
    fronts = dict(first.blocks)
    blocks = []
    for b, block in enumerate(layout.blocks):
        front = fronts.pop(b, None) or _empty_front(block, q)
        solved = solve_block(front, t[block.columns[: block.own]])
        schur -= solved.rhs[: solved.own].T @ solved.e
        log_det += solved.log_det
        blocks.append(solved)
        if len(block.into):
            if block.parent not in fronts:
                fronts[block.parent] = _empty_front(layout.blocks[block.parent], q)
            left, above = solved.left(), fronts[block.parent]
            above.u[block.into[:, None], block.into] += left.u
            above.rhs[block.into] += left.rhs
    beta, root, rss, log_det_x = solve_fixed(0.5 * (schur + schur.T))
    return Eliminated(layout, d, t, blocks, beta, root, rss, log_det, log_det_x)


def _empty_front(block: Block, q: int) -> Absorbed:
    return Absorbed(np.zeros((len(block.columns), len(block.columns))), np.zeros((len(block.columns), q)))


def solve_fixed(schur: FloatArray) -> tuple[FloatArray, FloatArray, float, float]:
    """Generalised least squares from the (q, q) remainder: beta, root of its relative covariance, rss, log|X'V^-1X|."""
    p = len(schur) - 1
    if p == 0:
        return np.empty(0), np.empty((0, 0)), float(schur[0, 0]), 0.0
    factor, info = lapack.dpotrf(schur[:p, :p], lower=1)
    if info != 0:
        raise FitError("fixed effects are confounded with each other; leave one of them out")
    root = lapack.dtrtrs(factor, np.eye(p), lower=1)[0]
    z = root @ schur[:p, p]
    return root.T @ z, root, float(schur[p, p] - z @ z), 2.0 * float(np.log(np.diag(factor)).sum())
