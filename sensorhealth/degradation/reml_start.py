"""Where the search begins: moments of least-squares lines per sensor and of their residuals per column."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sensorhealth.degradation.elimination_blocks import Block, Unit
from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray

THIN_BLOCKS = 16  # from this number of blocks on a fit of a few of them comes first
THIN_SHARE = 0.05
LEAST_SHARE = 0.05  # part of an observed variance that a moment estimate keeps at least


def start_values(sums: Sums, random: str) -> tuple[FloatArray, FloatArray, float]:
    """D (2, 2) and theta (K,), relative to the residual variance, and that variance; from sums for white noise."""
    layout = sums.layout
    lines, noise = _lines(sums, random)
    q = layout.fixed
    explained = float((lines * sums.wx[:, q]).sum())
    spent = int((np.abs(lines) > 0).sum())
    s2 = max(sums.xx[q, q] - explained, 0.0) / max(len(layout.data.y) - spent, 1)
    s2 = s2 if s2 > 0 else 1e-12 + 1e-6 * sums.xx[q, q] / max(len(layout.data.y), 1)
    theta, share = _columns(sums, lines, s2)
    residual = max(s2 - share, 0.3 * s2)
    return _spread(lines, noise, s2) / residual, np.maximum(theta, 1e-3 * residual) / residual, residual


def _lines(sums: Sums, random: str) -> tuple[FloatArray, FloatArray]:
    """Least-squares line of every sensor (2, n), zero where it has none, and its relative sampling variances (2, n)."""
    w11, w12, w22 = sums.ww
    y = sums.wx[:, -1]
    lines, noise = np.zeros_like(y), np.full_like(y, np.nan)
    if random == "intercept+slope":
        det = w11 * w22 - w12 * w12
        good = det > 1e-6 * w11 * w22
        safe = np.where(good, det, 1.0)
        lines[0] = np.where(good, (w22 * y[0] - w12 * y[1]) / safe, 0.0)
        lines[1] = np.where(good, (w11 * y[1] - w12 * y[0]) / safe, 0.0)
        noise[0, good], noise[1, good] = (w22 / safe)[good], (w11 / safe)[good]
    elif random != "none":
        k, w = (0, w11) if random == "intercept" else (1, w22)
        good = w > 0
        lines[k, good] = y[k, good] / w[good]
        noise[k, good] = 1.0 / w[good]
    return lines, noise


def _spread(lines: FloatArray, noise: FloatArray, s2: float) -> FloatArray:
    """Covariance of the lines less their sampling variance, from the better-determined half of the sensors."""
    out = np.zeros((2, 2))
    for k in (0, 1):
        known = ~np.isnan(noise[k])
        if not known.any():
            continue
        half = known & (noise[k] <= np.median(noise[k, known]))
        seen = float(np.mean(lines[k, half] ** 2))
        out[k, k] = max(seen - s2 * float(noise[k, half].mean()), LEAST_SHARE * seen, 1e-12 * s2)
    if out[0, 0] > 0 and out[1, 1] > 0:
        both = ~np.isnan(noise).any(axis=0)
        raw = lines[:, both]
        correlation = (raw[0] @ raw[1]) / np.sqrt((raw[0] @ raw[0]) * (raw[1] @ raw[1]) + 1e-300)
        out[0, 1] = out[1, 0] = 0.5 * correlation * np.sqrt(out[0, 0] * out[1, 1])
    return out


def _columns(sums: Sums, lines: FloatArray, s2: float) -> tuple[FloatArray, float]:
    """Variance of each class from the columns' sums of residuals, and what they all add to one reading's variance."""
    layout = sums.layout
    residual = sums.tx[:, -1].copy()
    diagonal = np.zeros(layout.columns)
    for block, tt in zip(layout.blocks, sums.tt):
        diagonal[block.columns] = tt if tt.ndim == 1 else np.diag(tt)
        for k in block.units:
            own = lines[:, None, layout.units[k].sensors]
            residual[block.columns] -= sums.pairs(k).scatter(own)[:, 0]
    theta = np.zeros(len(layout.data.classes))
    share = 0.0
    for k in range(len(theta)):
        columns = slice(layout.first_column[k], layout.first_column[k + 1])
        seen = diagonal[columns] > 0
        weight = diagonal[columns][seen]
        excess = float((residual[columns][seen] ** 2 / weight - s2).sum())
        theta[k] = max(excess, 0.0) / max(float(weight.sum()), 1e-300)
        share += theta[k] * float(weight.sum()) / max(len(layout.data.y), 1)
    return theta, share


def thin_sums(sums: Sums) -> tuple[Sums, int] | None:
    """Sums of a few evenly spaced blocks and their number of readings, where there are enough blocks to choose from."""
    layout = sums.layout
    filled = [b for b, block in enumerate(layout.blocks) if len(block.columns) and block.units]
    if len(filled) < THIN_BLOCKS:
        return None
    count = max(THIN_BLOCKS // 4, round(THIN_SHARE * len(filled)))
    chosen = [filled[k] for k in np.linspace(0, len(filled) - 1, count).round().astype(int)]
    blocks: list[Block] = []
    units: list[Unit] = []
    kept: list[int] = []
    for number, b in enumerate(chosen):
        block = layout.blocks[b]
        blocks.append(replace(block, units=tuple(range(len(units), len(units) + len(block.units)))))
        units += [replace(layout.units[k], block=number) for k in block.units]
        kept += block.units
    few = replace(layout, blocks=blocks, units=units)
    thin = Sums(few, sums.rz, sums.ww, sums.wx, sums.unit_xx[kept], sums.tx, [sums.tt[b] for b in chosen], 0.0)
    return thin, sum(len(unit.sensor) for unit in units)
