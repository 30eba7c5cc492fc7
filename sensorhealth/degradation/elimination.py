"""Sensors eliminated in closed 2x2 form: the first of the two steps of every evaluation, and the one that adds up.

All relative to the residual variance: D (2x2) covariance of a sensor's intercept and slope, theta variances of the
crossed classes, t = sqrt(theta) by column. With WW = Z'R^-1Z of a sensor,
``S = D (I + WW D)^-1 = (D + |D| adj(WW)) / |I + WW D|`` holds for singular D and adds nothing but positive terms.
``U = TT - sum P S P'``, ``A = I + t U t``: Henderson's equations absorbed (Henderson 1975, Biometrics 31:423-447);
criterion of Bates, Maechler, Bolker and Walker (2015, J. Stat. Softw. 67(1)), equations 34 and 41.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray, Where


@dataclass(frozen=True)
class SensorBlocks:
    """What a unit's sensors become at one D; the sensor is the last axis, rows as named."""

    s: FloatArray  # (3, n) S: 11, 12, 22
    root: FloatArray  # (3, n) lower K with S = K K': 11, 21, 22
    back: FloatArray  # (4, n) Q = (I + WW D)^-1: 11, 12, 21, 22
    zvz: FloatArray  # (3, n) Z'V1^-1Z, V1 = R + Z D Z': 11, 12, 22
    log_det: FloatArray  # (n,) log|I + WW D|


def sensor_blocks(ww: FloatArray, d: FloatArray) -> SensorBlocks:
    """Closed forms from WW (3, n) and D (2, 2), which may be singular."""
    w11, w12, w22 = ww
    d11, d12, d22 = d[0, 0], d[0, 1], d[1, 1]
    det_d = max(d11 * d22 - d12 * d12, 0.0)
    det_w = np.maximum(w11 * w22 - w12 * w12, 0.0)
    det = 1.0 + w11 * d11 + 2 * w12 * d12 + w22 * d22 + det_w * det_d
    s = np.array([d11 + det_d * w22, d12 - det_d * w12, d22 + det_d * w11]) / det
    first = np.sqrt(s[0])
    safe = np.where(first > 0, first, 1.0)
    last = np.where(first > 0, np.sqrt(det_d / det) / safe, np.sqrt(s[2]))
    root = np.array([first, s[1] / safe, last])
    cross = w12 * d12
    back = np.array([1.0 + cross + w22 * d22, -(w11 * d12 + w12 * d22), -(w12 * d11 + w22 * d12), 1.0 + w11 * d11 + cross])
    zvz = np.array([w11 + det_w * d22, w12 - det_w * d12, w22 + det_w * d11]) / det
    return SensorBlocks(s, root, back / det, zvz, np.log(det))


def blocks_of(sums: Sums, sensors: Where, d: FloatArray) -> SensorBlocks:
    """Those of some sensors; where sensors are few those of all are worked out at once and the latest kept."""
    if not sums.layout.at_once:
        return sensor_blocks(sums.ww[:, sensors], d)
    latest = sums.blocks.get("latest")
    if latest is None or not np.array_equal(latest[0], d):
        latest = sums.blocks["latest"] = (d, sensor_blocks(sums.ww, d))
    found: SensorBlocks = latest[1]
    return found


@dataclass(frozen=True)
class Absorbed:
    """One block with the sensors of a shard gone."""

    u: FloatArray  # (C_b, C_b) T'V1^-1T
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
    layout, schur, log_det = sums.layout, sums.xx, sums.log_det
    touched = [b for b, block in enumerate(layout.blocks) if block.units]
    u = {b: np.diag(sums.tt[b]) if sums.tt[b].ndim == 1 else sums.tt[b].copy() for b in touched}
    rhs = {b: sums.tx[b] for b in touched}
    for where, units in layout.gangs:
        sensors = blocks_of(sums, where, d)
        right = _rotate(sensors.root, sums.wx[:, :, where])
        schur -= right[0] @ right[0].T + right[1] @ right[1].T
        log_det += float(sensors.log_det.sum())
        for k in units:
            own, b = layout.place(k), layout.units[k].block
            outer, thin = sums.pairs(k).outer(sensors.root[:, own], right[:, :, own])
            u[b] = u[b] - outer
            rhs[b] = rhs[b] - thin
    return FirstPass({b: Absorbed(u[b], rhs[b]) for b in touched}, schur, log_det)


def _rotate(root: FloatArray, wx: FloatArray) -> FloatArray:
    """K' wx for each sensor (2, q, n)."""
    return np.array([root[0] * wx[0] + root[1] * wx[1], root[2] * wx[1]])
