"""The wander's share of the score: derivatives to tau by the chain rule through the sums, working variate K e."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination import Eliminated, SolvedBlock
from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_layout import totals
from sensorhealth.degradation.reml_score import (
    DOUBLE,
    Score,
    UnitState,
    add_columns,
    add_sensors,
    new_score,
    square,
    symmetric,
    unit_state,
    working_variates,
)


@dataclass(frozen=True)
class Variate:
    """q = K e with e = P y, by its products with R^-1."""

    zq: FloatArray  # (2, n)
    tq: FloatArray  # (C,)
    xq: FloatArray  # (p,)
    qq: float
    eq: float  # e'q


def score_with_wander(el: Eliminated, d_sums: Sums, noise: ClockNoise, reml: bool) -> Score:
    """As `score_of` with tau as the last variance."""
    layout, p = el.layout, el.layout.fixed
    thetas = [solved.theta_inverse for solved in el.blocks]
    states = [
        unit_state(el.sums, k, el.sums.pairs(k), el.d, el.blocks[unit.block].e, thetas[unit.block], el.contrast)
        for k, unit in enumerate(layout.units)
    ]
    variate = _variate(el, states, noise)
    weight = el.beta_root if reml else el.beta_root[:0]
    out = new_score(p, 4 + len(layout.data.classes))
    d_schur = d_sums.xx
    out.trace[-1] = d_sums.log_det
    for b, (block, solved) in enumerate(zip(layout.blocks, el.blocks)):
        t_part = np.zeros((len(block.columns), len(out.trace)))
        t_part[:, -1] = variate.tq[block.columns]
        for k in block.units:
            own, pairs = layout.units[k].sensors, el.sums.pairs(k)
            wx = el.sums.wx[:, :, own]
            add_sensors(out, t_part, states[k], pairs, wx, weight)
            zq = variate.zq[:, own]
            szq = symmetric(states[k].blocks.s, zq)
            _, bw = working_variates(states[k])
            along = bw[0] @ zq[0] + bw[1] @ zq[1]
            out.gram[:3, -1] += along
            out.gram[-1, :3] += along
            out.gram[-1, -1] -= float((zq * szq).sum())
            t_part[:, -1] -= pairs.scatter(szq[:, None, :])[:, 0]
            out.x_part[:, -1] -= wx[0, :p] @ szq[0] + wx[1, :p] @ szq[1]
            _add_unit_derivative(out, d_schur, states[k], d_sums, k, el, thetas[b])
        add_columns(out, t_part, solved, thetas[b], layout.class_of_column[block.columns], el.contrast, weight)
        _add_block_derivative(out, d_schur, solved, thetas[b], d_sums.tt[b], d_sums.tx[block.columns])
    out.gram[-1, -1] += variate.qq
    out.x_part[:, -1] += variate.xq
    out.trace[-1] += float(np.einsum("ka,ab,kb->", weight, d_schur[:p, :p], weight))
    out.quadratic[-1] = variate.eq
    return out


def _variate(el: Eliminated, states: list[UnitState], noise: ClockNoise) -> Variate:
    layout = el.layout
    u = np.zeros((2, layout.sensors))
    for unit, state in zip(layout.units, states):
        u[:, unit.sensors] = state.u
    e = noise.solve(plain_residual(el, u)[:, None])
    q = noise.wander(e)
    solved = noise.solve(q)[:, 0]
    g = layout.data.g
    zq = np.stack([totals(layout.sensor, solved * z, layout.sensors) for z in (1.0, g)])
    return Variate(zq, layout.crossed.T @ solved, layout.data.x.T @ solved, float(q[:, 0] @ solved), float(e[:, 0] @ q[:, 0]))


def plain_residual(el: Eliminated, u: FloatArray) -> FloatArray:
    """y - X beta - Z u - T v (N,)."""
    layout = el.layout
    line = u[0, layout.sensor] + u[1, layout.sensor] * layout.data.g
    return layout.response - layout.data.x @ el.beta - line - layout.crossed @ el.v


def _add_unit_derivative(
    out: Score, d_schur: FloatArray, state: UnitState, d: Sums, k: int, el: Eliminated, theta: FloatArray
) -> None:
    """A unit's part of d log|V| / d tau and of the remainder's derivative for [X y]."""
    unit = el.layout.units[k]
    pairs, d_pairs = el.sums.pairs(k), d.pairs(k)
    d_ww, s = d.ww[:, unit.sensors], state.blocks.s
    out.trace[-1] += float((DOUBLE @ (s * d_ww)).sum() - 2 * (DOUBLE @ (s * pairs.cross_spread(theta, d_pairs))).sum())
    s_full = np.stack((s[0], s[1], s[1], s[2]))
    inner = square(s_full, symmetric(d_ww, np.stack((s[:2], s[1:]))))
    # rows of S dWW S: inner[a][b]; its product with the spread, off-diagonals twice
    twisted = np.stack((inner[0, 0], inner[0, 1], inner[1, 1]))
    out.trace[-1] += float((DOUBLE @ (twisted * state.spread)).sum())
    u = symmetric(s, state.left)
    wu = symmetric(d_ww, u)
    met = d_pairs.gather(el.blocks[unit.block].e)
    d_wx = d.wx[:, :, unit.sensors]
    for a in (0, 1):
        d_schur += u[a] @ wu[a].T
        for part, sign in ((met[a], 1.0), (d_wx[a], -1.0)):
            cross = u[a] @ part.T
            d_schur += sign * (cross + cross.T)


def _add_block_derivative(
    out: Score, d_schur: FloatArray, solved: SolvedBlock, theta: FloatArray, d_tt: FloatArray, d_tx: FloatArray
) -> None:
    """A block's part of the same."""
    if not len(solved.t):
        return
    out.trace[-1] += float((theta * d_tt).sum())
    cross = d_tx.T @ solved.e
    d_schur += solved.e.T @ d_tt @ solved.e - cross - cross.T
