"""First derivatives of the criterion and its average information, in variances relative to the residual.

Order of the variances everywhere: D11, D12, D22, theta of each class, tau (if the wander is in the model).
Derivatives ``tr(V_k P) - y'P V_k P y / s2`` in forms that hold at zero variances:
``Z'V1^-1Z = (WW + |WW| adj D) / det`` and ``T'P T = U - U theta^ U``. Average information: Gilmour, Thompson and Cullis (1995), Biometrics 51:1440-1450.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination import Eliminated
from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_layout import totals

SMALL_RELATIVE_SD = 1e-4  # below this the derivative of a class is taken from U, above from the inverse of A


@dataclass(frozen=True)
class Solution:
    """Best predictions in relative terms at one set of variances, and what derivatives and errors need of them."""

    v: FloatArray  # (C,) crossed effects, known scale left out
    u: FloatArray  # (n, 2) sensors' intercepts and slopes
    raw: FloatArray  # (n, 2) Z'P y, so that u = D raw
    back: FloatArray  # (n, 2, 2) Q = (I + WW D)^-1
    zvz: FloatArray  # (n, 2, 2) Z'V1^-1Z with crossed effects and beta known
    tp: FloatArray  # (P, 2) theta^ PT_i at the columns that sensor i touches
    spread: FloatArray  # (n, 2, 2) PT' theta^ PT
    fx: FloatArray  # (n, 2, p) WX - PT'E for the fixed effects


def solve_effects(el: Eliminated) -> Solution:
    """Predictions of all random effects and the sensors' blocks."""
    layout, sums = el.layout, el.sums
    n, p = layout.sensors, layout.fixed
    w11, w12, w22 = sums.ww.T
    ww = np.stack((w11, w12, w12, w22), 1).reshape(n, 2, 2)
    back = np.eye(2) - ww @ el.s
    contrast = el.contrast
    v = el.e @ contrast
    i, c = layout.pair_sensor, layout.pair_column
    fx = sums.wx[:, :, :p].copy()
    left = sums.wx @ contrast
    for a in (0, 1):
        left[:, a] -= totals(i, sums.pt[:, a] * v[c], n)
        for k in range(p):
            fx[:, a, k] -= totals(i, sums.pt[:, a] * el.e[c, k], n)
    raw = (back @ left[:, :, None])[:, :, 0]
    det_d = max(el.d[0, 0] * el.d[1, 1] - el.d[0, 1] ** 2, 0.0)
    det_w = np.maximum(w11 * w22 - w12 * w12, 0.0)
    det = 1.0 + w11 * el.d[0, 0] + 2 * w12 * el.d[0, 1] + w22 * el.d[1, 1] + det_w * det_d
    adjoint = np.array([[el.d[1, 1], -el.d[0, 1]], [-el.d[0, 1], el.d[0, 0]]])
    zvz = (ww + det_w[:, None, None] * adjoint) / det[:, None, None]
    tp = crossed_times_pairs(el)
    spread = np.empty((n, 2, 2))
    for a in (0, 1):
        for b in (0, 1):
            spread[:, a, b] = totals(i, tp[:, a] * sums.pt[:, b], n)
    return Solution(v, (el.s @ left[:, :, None])[:, :, 0], raw, back, zvz, tp, 0.5 * (spread + spread.mT), fx)


def crossed_times_pairs(el: Eliminated) -> FloatArray:
    """theta^ PT_i taken at the columns that sensor i itself touches. Shape (P, 2)."""
    layout = el.layout
    bounds = np.searchsorted(layout.pair_sensor, np.arange(layout.sensors + 1))
    size = np.diff(bounds)
    out = np.zeros((len(layout.pair_sensor), 2))
    for shift in range(int(size.max()) if len(size) else 0):
        # partner of the k-th pair of a sensor: pair (k + shift) modulo the sensor's number of pairs
        own = np.flatnonzero(size[layout.pair_sensor] > shift)
        sensor = layout.pair_sensor[own]
        partner = bounds[sensor] + (own - bounds[sensor] + shift) % size[sensor]
        weight = el.theta_inverse[layout.pair_column[own], layout.pair_column[partner]]
        out[own] += weight[:, None] * el.sums.pt[partner]
    return out


def score(
    el: Eliminated, so: Solution, reml: bool, noise: ClockNoise | None, d_sums: Sums | None
) -> tuple[FloatArray, FloatArray]:
    """Trace and quadratic parts of the derivatives of -2 log L to each variance: trace - quadratic / s2."""
    layout = el.layout
    n_class = len(layout.data.classes)
    weight = el.beta_root if reml else el.beta_root[:0]
    f = so.back @ (so.fx @ weight.T)
    zpz = so.zvz - so.back @ so.spread @ so.back.mT - f @ f.mT
    total = zpz.sum(0)
    e2 = so.raw.T @ so.raw
    trace = [total[0, 0], 2 * total[0, 1], total[1, 1]]
    quadratic = [e2[0, 0], 2 * e2[0, 1], e2[1, 1]]
    diagonal = _crossed_diagonal(el, weight)
    eps = crossed_residual(el, so)
    trace += list(totals(layout.class_of_column, diagonal, n_class))
    quadratic += list(totals(layout.class_of_column, eps * eps, n_class))
    if noise is not None and d_sums is not None:
        tau_trace, tau_quadratic = _tau_score(el, so, d_sums, weight)
        trace.append(tau_trace)
        quadratic.append(tau_quadratic)
    return np.array(trace), np.array(quadratic)


def crossed_residual(el: Eliminated, so: Solution) -> FloatArray:
    """T'P y (C,), so that v = theta T'P y."""
    return el.rhs @ el.contrast - el.u_matrix @ so.v


def _crossed_diagonal(el: Eliminated, weight: FloatArray) -> FloatArray:
    """Diagonal of T'PT (C,); weight (p or 0, p) is the root of beta's covariance that the criterion counts."""
    p = el.layout.fixed
    small = el.t < SMALL_RELATIVE_SD
    theta = np.where(small, 1.0, el.t**2)
    fixed = el.e[:, :p] @ weight.T
    out = (1.0 - np.diag(el.a_inverse) - (fixed * fixed).sum(1) / theta) / theta
    if small.any():
        u_rows = el.u_matrix[small]
        fixed = (el.rhs[small, :p] - u_rows @ el.e[:, :p]) @ weight.T
        out[small] = (
            np.diag(el.u_matrix)[small] - ((u_rows @ el.theta_inverse) * u_rows).sum(1) - (fixed * fixed).sum(1)
        )
    return out


def _tau_score(el: Eliminated, so: Solution, d: Sums, weight: FloatArray) -> tuple[float, float]:
    """Derivative to tau by the chain rule through the sums."""
    layout, s = el.layout, el.s
    i, c = layout.pair_sensor, layout.pair_column
    n, p, q = layout.sensors, layout.fixed, layout.fixed + 1
    d_ww = np.stack((d.ww[:, 0], d.ww[:, 1], d.ww[:, 1], d.ww[:, 2]), 1).reshape(n, 2, 2)
    sd = s @ d_ww
    trace = d.log_det + np.einsum("iaa->", sd) + float((el.theta_inverse * d.tt).sum())
    trace -= 2 * float((np.einsum("pa,pab->pb", so.tp, s[i]) * d.pt).sum())
    trace += np.einsum("iab,ibc,ica->", sd, s, so.spread)
    left = el.sums.wx.copy()
    for a in (0, 1):
        for k in range(q):
            left[:, a, k] -= totals(i, el.sums.pt[:, a] * el.e[c, k], n)
    u = s @ left
    cross = np.einsum("iaq,iar->qr", d.wx, u) + d.tx.T @ el.e
    u_pairs = np.einsum("paq,pa->pq", u[i], d.pt)
    inner = np.einsum("iaq,iab,ibr->qr", u, d_ww, u) + u_pairs.T @ el.e[c] + el.e[c].T @ u_pairs + el.e.T @ d.tt @ el.e
    schur = d.xx - cross - cross.T + inner
    trace += float(np.einsum("ka,ab,kb->", weight, schur[:p, :p], weight))
    contrast = el.contrast
    return trace, -float(contrast @ schur @ contrast)


def average_information(el: Eliminated, so: Solution, noise: ClockNoise | None) -> tuple[FloatArray, FloatArray]:
    """q'Pq (m, m) and q'Py (m,) for the working variates q_k = V_k P y of all m relative variances."""
    layout = el.layout
    n, p, n_class = layout.sensors, layout.fixed, len(layout.data.classes)
    m = 3 + n_class + (noise is not None)
    w = np.zeros((n, 2, m))  # variate = Z w + T r (+ K e)
    w[:, 0, 0], w[:, 0, 1], w[:, 1, 1], w[:, 1, 2] = so.raw[:, 0], so.raw[:, 1], so.raw[:, 0], so.raw[:, 1]
    eps = crossed_residual(el, so)
    r = np.zeros((layout.columns, m))
    r[np.arange(layout.columns), 3 + layout.class_of_column] = eps
    extra = _wander_variate(el, so, noise) if noise is not None else None
    gram, t_part, x_part = _absorb_sensors(el, so, w, r, extra)
    gram = gram - t_part.T @ el.theta_inverse @ t_part
    x_part = x_part - el.e[:, :p].T @ t_part
    root = el.beta_root @ x_part
    h = np.zeros(m)
    h[:3] = [(so.raw[:, 0] ** 2).sum(), 2 * (so.raw[:, 0] * so.raw[:, 1]).sum(), (so.raw[:, 1] ** 2).sum()]
    h[3 : 3 + n_class] = totals(layout.class_of_column, eps * eps, n_class)
    if extra is not None:
        h[-1] = extra[4]
    return gram - root.T @ root, h


def _absorb_sensors(
    el: Eliminated, so: Solution, w: FloatArray, r: FloatArray, extra: tuple[FloatArray, ...] | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """q'V1^-1q, T'V1^-1q, X'V1^-1q of the variates Z w + T r (+ wander in the last column), V1 = R + Z D Z'."""
    layout, sums = el.layout, el.sums
    i, c, p = layout.pair_sensor, layout.pair_column, layout.fixed
    bw = so.back.mT @ w  # T'V1^-1Z w = PT Q' w
    t_part = np.empty_like(r)
    for k in range(r.shape[1]):
        t_part[:, k] = totals(c, (sums.pt * bw[i, :, k]).sum(1), layout.columns)
    gram = np.einsum("iam,iab,ibl->ml", w, so.zvz, w) + t_part.T @ r + r.T @ t_part + r.T @ el.u_matrix @ r
    x_part = np.einsum("iap,iam->pm", sums.wx[:, :, :p], bw) + el.rhs[:, :p].T @ r
    t_part = t_part + el.u_matrix @ r
    if extra is not None:
        zq, tq, xq, qq = extra[:4]
        szq = (el.s @ zq[:, :, None])[:, :, 0]
        t_own = tq - totals(c, (sums.pt * szq[i]).sum(1), layout.columns)
        along = np.einsum("iam,ia->m", bw, zq) + r.T @ t_own
        along[-1] = 0.5 * (qq - (zq * szq).sum())
        gram[:, -1] += along
        gram[-1, :] += along
        t_part[:, -1] += t_own
        x_part[:, -1] += xq - np.einsum("iap,ia->p", sums.wx[:, :, :p], szq)
    return gram, t_part, x_part


def _wander_variate(el: Eliminated, so: Solution, noise: ClockNoise) -> tuple[FloatArray, ...]:
    """Z'R^-1q (n, 2), T'R^-1q (C,), X'R^-1q (p,), q'R^-1q and e'q of the variate q = K e with e = P y."""
    layout = el.layout
    e = noise.solve(residual(el, so)[:, None])
    q = noise.wander(e)
    solved = noise.solve(q)[:, 0]
    zq = np.stack([totals(layout.sensor, solved * layout.z[:, a], layout.sensors) for a in (0, 1)], 1)
    p = layout.fixed
    return zq, layout.crossed.T @ solved, layout.xy[:, :p].T @ solved, q[:, 0] @ solved, e[:, 0] @ q[:, 0]


def residual(el: Eliminated, so: Solution) -> FloatArray:
    """y - X beta - Z u - T v (N,)."""
    layout = el.layout
    return layout.xy @ el.contrast - (layout.z * so.u[layout.sensor]).sum(1) - layout.crossed @ so.v
