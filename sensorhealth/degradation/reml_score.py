"""First derivatives of the criterion and its average information, in variances relative to the residual.

Order of the variances everywhere: D11, D12, D22, theta of each class, tau (if the wander is in the model).
Derivatives ``tr(V_k P) - y'P V_k P y / s2`` in forms that hold at zero variances:
``Z'V1^-1Z = (WW + |WW| adj D) / det`` and ``T'P T = U - U theta^ U``. Average information ``q'Pq`` with working
variates ``q_k = V_k P y``: Gilmour, Thompson and Cullis (1995), Biometrics 51:1440-1450. Everything adds up over units.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.elimination import SensorBlocks, blocks_of
from sensorhealth.degradation.elimination_columns import Eliminated, SolvedBlock
from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray, IntArray, Where
from sensorhealth.degradation.reml_layout import Layout, totals

DOUBLE = np.array([1.0, 2.0, 1.0])  # an off-diagonal entry counts twice
SMALL_RELATIVE_SD = 1e-4  # below this the derivative of a class is taken from U, above from the inverse of A


@dataclass(frozen=True)
class SensorState:
    """Some sensors at the solution; the sensor is the last axis."""

    blocks: SensorBlocks
    left: FloatArray  # (2, q, n) WX - P'E
    u: FloatArray  # (2, n) predicted intercepts and slopes
    raw: FloatArray  # (2, n) Z'Py, so that u = D raw
    spread: FloatArray  # (3, n) P' theta^ P: 11, 12, 22


def state_of(sums: Sums, where: Where, units: list[int], back: Back) -> SensorState:
    """Back-substitution for the sensors of some units (see `Layout.gangs`); that of all at once is kept for the next who asks."""
    if sums.layout.at_once:
        latest = sums.blocks.get("state")
        if latest is None or latest[0] is not back.theta:
            latest = sums.blocks["state"] = (back.theta, _state_of(sums, where, units, back))
        found: SensorState = latest[1]
        return found
    return _state_of(sums, where, units, back)


def _state_of(sums: Sums, where: Where, units: list[int], back: Back) -> SensorState:
    layout, blocks, left = sums.layout, blocks_of(sums, where, back.d), sums.wx[:, :, where].copy()
    spread = np.empty((3, left.shape[2]))
    for k in units:
        own, b, pairs = layout.place(k), layout.units[k].block, sums.pairs(k)
        left[:, :, own] -= pairs.gather(back.e[b])
        spread[:, own] = pairs.spread(back.theta[b])
    along = np.stack((back.contrast @ left[0], back.contrast @ left[1]))
    return SensorState(blocks, left, symmetric(blocks.s, along), square(blocks.back, along), spread)


def symmetric(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    """Products of (3, n) symmetric matrices with (2, ..., n)."""
    return np.array([matrix[0] * vector[0] + matrix[1] * vector[1], matrix[1] * vector[0] + matrix[2] * vector[1]])


def square(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    """Products of (4, n) matrices with (2, ..., n)."""
    return np.array([matrix[0] * vector[0] + matrix[1] * vector[1], matrix[2] * vector[0] + matrix[3] * vector[1]])


@dataclass
class Score:
    """Sums over units and blocks; m variances. A derivative is trace - quadratic / s2."""

    trace: FloatArray  # (m,)
    quadratic: FloatArray  # (m,) y'P V_k P y
    gram: FloatArray  # (m, m) q'V1^-1q with the crossed effects absorbed
    x_part: FloatArray  # (p, m)

    def information(self, beta_root: FloatArray) -> FloatArray:
        """q'Pq (m, m)."""
        rotated = beta_root @ self.x_part
        return self.gram - rotated.T @ rotated

    def __add__(self, other: Score) -> Score:
        return Score(
            self.trace + other.trace, self.quadratic + other.quadratic, self.gram + other.gram, self.x_part + other.x_part
        )


@dataclass(frozen=True)
class Back:
    """What shards are told after the first pass."""

    d: FloatArray  # (2, 2)
    contrast: FloatArray  # (q,)
    weight: FloatArray  # (p or 0, p) root of beta's covariance that the criterion counts
    e: Mapping[int, FloatArray]  # by block (C_b, q)
    theta: Mapping[int, FloatArray]  # by block theta^ (C_b, C_b)
    variances: int  # m


@dataclass(frozen=True)
class SecondPass:
    """All that the derivatives need of a shard of sensors; shards add up."""

    score: Score
    t_parts: dict[int, FloatArray]  # by block (C_b, m): T'V1^-1 q of the working variates of the sensors

    def __add__(self, other: SecondPass) -> SecondPass:
        return SecondPass(self.score + other.score, merge(self.t_parts, other.t_parts))


def merge(first: dict[int, FloatArray], second: dict[int, FloatArray]) -> dict[int, FloatArray]:
    """Sums by key."""
    out = dict(first)
    for key, part in second.items():
        out[key] = out[key] + part if key in out else part
    return out


def tell_back(el: Eliminated, reml: bool, variances: int) -> Back:
    """What shards need of the solution."""
    weight = el.beta_root if reml else el.beta_root[:0]
    return Back(el.d, el.contrast, weight, dict(enumerate(el.fronts)), el.covariances, variances)


def score_sensors(sums: Sums, back: Back) -> SecondPass:
    """A shard's sensors at the solution, without a wander."""
    layout = sums.layout
    out, t_parts = new_score(layout.fixed, back.variances), no_parts(layout, back.variances)
    for where, units in layout.gangs:
        state = state_of(sums, where, units, back)
        bw = add_sensors(out, state, sums.wx[:, :, where], back.weight)
        for k in units:
            t_parts[layout.units[k].block][:, :3] += sums.pairs(k).scatter(bw[:, :, layout.place(k)])
    return SecondPass(out, t_parts)


def finish_score(el: Eliminated, second: SecondPass, back: Back) -> Score:
    """Add the crossed effects and absorb them from all variates, up the tree."""
    out, layout = second.score, el.layout
    parts = dict(second.t_parts)
    for b, (block, solved) in enumerate(zip(layout.blocks, el.blocks)):
        if not len(block.columns):
            continue
        t_part = parts.pop(b, None)
        if t_part is None:
            t_part = np.zeros((len(block.columns), back.variances))
        of_class = layout.class_of_column[block.columns[: block.own]]
        left = add_columns(out, t_part, solved, back, b, of_class)
        if len(block.into):
            above = parts.setdefault(block.parent, np.zeros((len(layout.blocks[block.parent].columns), back.variances)))
            above[block.into] += left
    return out


def new_score(p: int, m: int) -> Score:
    """Zeros to add to."""
    return Score(np.zeros(m), np.zeros(m), np.zeros((m, m)), np.zeros((p, m)))


def no_parts(layout: Layout, m: int) -> dict[int, FloatArray]:
    """Zeros (C_b, m) for every block that sensors touch, to add to."""
    return {b: np.zeros((len(block.columns), m)) for b, block in enumerate(layout.blocks) if block.units}


def working_variates(state: SensorState) -> tuple[FloatArray, FloatArray]:
    """Variates w of D11, D12, D22 (2, 3, n), q = Z w, and Q'w, so that T'V1^-1 q = P Q'w."""
    e1, e2 = state.raw
    zero = np.zeros_like(e1)
    q11, q12, q21, q22 = state.blocks.back
    w = np.array([[e1, e2, zero], [zero, e1, e2]])
    first = q11 * e1, q11 * e2 + q21 * e1, q21 * e2
    second = q12 * e1, q12 * e2 + q22 * e1, q22 * e2
    return w, np.array([first, second])


def add_sensors(out: Score, state: SensorState, wx: FloatArray, weight: FloatArray) -> FloatArray:
    """Some sensors' part of their variances; weight (p or 0, p): root of beta's covariance in the criterion. Returns Q'w of
    the working variates."""
    p = wx.shape[1] - 1
    blocks = state.blocks
    out.trace[:3] += blocks.zvz.sum(1) * DOUBLE - _rotated_spread(blocks.back, state.spread) * DOUBLE
    if len(weight):
        f = square(blocks.back, np.stack((weight @ state.left[0, :p], weight @ state.left[1, :p])))
        f0, f1 = f[0].ravel(), f[1].ravel()
        out.trace[:3] -= np.array([f0 @ f0, 2 * (f0 @ f1), f1 @ f1])
    e1, e2 = state.raw
    out.quadratic[:3] += [e1 @ e1, 2 * (e1 @ e2), e2 @ e2]
    w, bw = working_variates(state)
    zw = symmetric(blocks.zvz, w)
    out.gram[:3, :3] += w[0] @ zw[0].T + w[1] @ zw[1].T
    out.x_part[:, :3] += wx[0, :p] @ bw[0].T + wx[1, :p] @ bw[1].T
    return bw


def _rotated_spread(back: FloatArray, spread: FloatArray) -> FloatArray:
    """Sum over sensors of Q spread Q': 11, 12, 22."""
    q11, q12, q21, q22 = back
    s11, s12, s22 = spread
    a11, a12 = q11 * s11 + q12 * s12, q11 * s12 + q12 * s22
    a21, a22 = q21 * s11 + q22 * s12, q21 * s12 + q22 * s22
    return np.array([a11 @ q11 + a12 @ q12, a11 @ q21 + a12 @ q22, a21 @ q21 + a22 @ q22])


def add_columns(out: Score, t_part: FloatArray, solved: SolvedBlock, back: Back, b: int, of_class: IntArray) -> FloatArray:
    """One block's own columns: their classes' derivatives, and their effects absorbed from all variates.

    t_part (w, m): T'V^-1 q on the front of the variates of sensors and descendants (and of the wander in the last
    column). Returns what is left of it on the ancestors' columns (w - own, m).
    """
    m, p, k = len(out.trace), len(back.contrast) - 1, solved.own
    if k == 0:
        return t_part
    residual = solved.rhs[:k] @ back.contrast - solved.u[:k] @ (back.e[b] @ back.contrast)  # T'Py
    out.trace += totals(3 + of_class, crossed_diagonal(solved, back, b), m)
    out.quadratic += totals(3 + of_class, residual * residual, m)
    r = np.zeros((k, m))
    r[np.arange(k), 3 + of_class] = residual
    u_r = solved.u[:, :k] @ r
    cross = t_part[:k].T @ r
    out.gram += cross + cross.T + r.T @ u_r[:k]
    out.x_part += solved.rhs[:k, :p].T @ r
    t_all = t_part + u_r
    follow = solved.theta @ t_all[:k]
    out.gram -= t_all[:k].T @ follow
    out.x_part -= solved.e[:, :p].T @ t_all[:k]
    return np.asarray(t_all[k:] - solved.u[k:, :k] @ follow)


def crossed_diagonal(solved: SolvedBlock, back: Back, b: int) -> FloatArray:
    """Diagonal of T'PT for a block's own columns (own,)."""
    p, k = len(back.contrast) - 1, solved.own
    small = solved.t < SMALL_RELATIVE_SD
    variance = np.where(small, 1.0, solved.t**2)
    theta, e = back.theta[b], back.e[b]
    fixed = e[:k, :p] @ back.weight.T
    out = (1.0 - (np.diag(theta)[:k] + (fixed * fixed).sum(1)) / variance) / variance
    if small.any():
        rows = solved.u[:k][small]
        fixed = (solved.rhs[:k][small, :p] - rows @ e[:, :p]) @ back.weight.T
        out[small] = np.diag(solved.u)[:k][small] - ((rows @ theta) * rows).sum(1) - (fixed * fixed).sum(1)
    return out
