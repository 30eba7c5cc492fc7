"""The wander's share of the score: derivatives to tau by the chain rule through the sums, working variate K e."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination_blocks import Block
from sensorhealth.degradation.elimination_columns import Eliminated
from sensorhealth.degradation.elimination_sums import Sums, wander_slopes
from sensorhealth.degradation.reml_data import FloatArray, Where
from sensorhealth.degradation.reml_layout import Layout, totals
from sensorhealth.degradation.reml_score import (
    DOUBLE,
    Back,
    Score,
    SecondPass,
    SensorState,
    add_sensors,
    finish_score,
    merge,
    new_score,
    no_parts,
    square,
    state_of,
    symmetric,
)


@dataclass(frozen=True)
class WanderPass:
    """A shard's part of the score with the wander's tau as the last variance; shards add up."""

    second: SecondPass
    d_schur: FloatArray  # (q, q) derivative of the remainder for [X y]
    d_tt: dict[int, FloatArray]  # by block, derivatives of T'R^-1T and T'R^-1[X y]
    d_tx: dict[int, FloatArray]

    def __add__(self, other: WanderPass) -> WanderPass:
        second, d_schur = self.second + other.second, self.d_schur + other.d_schur
        return WanderPass(second, d_schur, merge(self.d_tt, other.d_tt), merge(self.d_tx, other.d_tx))


def score_wandering(sums: Sums, noise: ClockNoise, back: Back, v: FloatArray) -> WanderPass:
    """As `score_sensors`, v (C,) being the crossed effects."""
    layout, p = sums.layout, sums.layout.fixed
    d_sums = wander_slopes(layout, noise)
    gangs = layout.gangs
    states = [state_of(sums, where, units, back) for where, units in gangs]
    out = new_score(p, back.variances)
    d_schur = d_sums.xx
    out.trace[-1] = d_sums.log_det
    zq, solved = _add_variate(out, layout, states, noise, back, v)
    t_parts = no_parts(layout, back.variances)
    touched_by = _touching(layout, solved)
    for b, part in t_parts.items():
        part[:, -1] = touched_by(b)
    for (where, units), state in zip(gangs, states):
        wx = sums.wx[:, :, where]
        bw = add_sensors(out, state, wx, back.weight)
        szq = _add_crossing(out, state, bw, wx[:, :p], zq[:, where])
        _add_derivative(out, d_schur, state, sums, d_sums, where, units, back)
        for k in units:
            part, pairs, own = t_parts[layout.units[k].block], sums.pairs(k), layout.place(k)
            part[:, :3] += pairs.scatter(bw[:, :, own])
            part[:, -1] -= pairs.scatter(szq[:, None, own])[:, 0]
    touched = list(t_parts)
    d_tx = {b: d_sums.tx[b] for b in touched}
    return WanderPass(SecondPass(out, t_parts), d_schur, {b: d_sums.tt[b] for b in touched}, d_tx)


def finish_wandering(el: Eliminated, done: WanderPass, back: Back) -> Score:
    """Add the crossed effects and the derivatives that go through them."""
    out, d_schur, p = finish_score(el, done.second, back), done.d_schur.copy(), el.layout.fixed
    for b, d_tt in done.d_tt.items():
        if len(d_tt):
            out.trace[-1] += float((back.theta[b] * d_tt).sum())
            cross = done.d_tx[b].T @ back.e[b]
            d_schur += back.e[b].T @ d_tt @ back.e[b] - cross - cross.T
    out.trace[-1] += float(np.einsum("ka,ab,kb->", back.weight, d_schur[:p, :p], back.weight))
    return out


def _add_variate(
    out: Score, layout: Layout, states: list[SensorState], noise: ClockNoise, back: Back, v: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The variate q = K e, e = P y: Z'R^-1q (2, n) and R^-1q (N,); its own products go into the score."""
    u = np.zeros((2, layout.sensors))
    for (where, _), state in zip(layout.gangs, states):
        u[:, where] = state.u
    left = plain_residual(layout, -back.contrast[:-1], u, v)
    half = noise.half_way(noise.differences(left[:, None]), overwrite=True)
    moved = noise.stepped(half)
    again = noise.half_way(moved)
    out.quadratic[-1] += float(half[:, 0] @ moved[:, 0])  # e'q
    out.gram[-1, -1] += float(moved[:, 0] @ again[:, 0])  # q'R^-1q
    solved = noise.whole_way(again)[:, 0]
    zq = layout.by_sensor(np.stack((solved, solved * layout.data.g)))
    out.x_part[:, -1] += layout.data.x.T @ solved
    return zq, solved


def _touching(layout: Layout, readings: FloatArray) -> Callable[[int], FloatArray]:
    """T' of values (N,) on the columns (C_b,) of the block asked for."""
    if layout.whole is None:
        return lambda b: _touching_block(layout, layout.blocks[b], readings)
    fronts, touched = layout.whole.fronts, np.asarray(layout.turned_table @ readings)
    return {b: touched[fronts.first[k] : fronts.first[k + 1]] for k, b in enumerate(fronts.blocks)}.__getitem__


def _touching_block(layout: Layout, block: Block, readings: FloatArray) -> FloatArray:
    out = np.zeros(len(block.columns))
    for unit in (layout.units[k] for k in block.units):
        met = readings[unit.readings]
        met = met if unit.entry is None else met[unit.entry]
        out += totals(unit.column, met if unit.value is None else met * unit.value, len(out))
    return out


def _add_crossing(out: Score, state: SensorState, bw: FloatArray, wx: FloatArray, zq: FloatArray) -> FloatArray:
    """Products of the wander's variate with those of some sensors, Q'w being `bw`; wx (2, p, n) of the fixed effects. Returns
    what falls on their columns (2, n)."""
    szq = symmetric(state.blocks.s, zq)
    along = bw[0] @ zq[0] + bw[1] @ zq[1]
    out.gram[:3, -1] += along
    out.gram[-1, :3] += along
    out.gram[-1, -1] -= float((zq * szq).sum())
    out.x_part[:, -1] -= wx[0] @ szq[0] + wx[1] @ szq[1]
    return szq


def plain_residual(layout: Layout, beta: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """y - X beta - Z u - T v (N,); beta about the layout's start."""
    line = u[0, layout.sensor] + u[1, layout.sensor] * layout.data.g
    return layout.response - layout.data.x @ beta - line - layout.crossed @ v


def _add_derivative(
    out: Score, d_schur: FloatArray, state: SensorState, sums: Sums, d: Sums, where: Where, units: list[int], back: Back
) -> None:
    """Some sensors' part of d log|V| / d tau and of the remainder's derivative for [X y]."""
    layout = sums.layout
    d_ww, d_wx, s = d.ww[:, where], d.wx[:, :, where], state.blocks.s
    crossing, met = np.empty_like(s), np.empty(d_wx.shape)
    for k in units:
        own, b, d_pairs = layout.place(k), layout.units[k].block, d.pairs(k)
        crossing[:, own] = sums.pairs(k).cross_spread(back.theta[b], d_pairs)
        met[:, :, own] = d_pairs.gather(back.e[b])
    out.trace[-1] += float((DOUBLE @ (s * d_ww)).sum() - 2 * (DOUBLE @ (s * crossing)).sum())
    s_full = np.stack((s[0], s[1], s[1], s[2]))
    inner = square(s_full, symmetric(d_ww, np.stack((s[:2], s[1:]))))  # S dWW S
    twisted = np.stack((inner[0, 0], inner[0, 1], inner[1, 1]))
    out.trace[-1] += float((DOUBLE @ (twisted * state.spread)).sum())
    u = symmetric(s, state.left)
    wu = symmetric(d_ww, u)
    for a in (0, 1):
        cross = u[a] @ (met[a] - d_wx[a]).T
        d_schur += u[a] @ wu[a].T + cross + cross.T
