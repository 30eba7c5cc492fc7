"""Where the search begins: moments of least-squares lines per sensor and of their residuals per column."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from sensorhealth.degradation.elimination_blocks import Block, Unit
from sensorhealth.degradation.elimination_sums import Sums
from sensorhealth.degradation.reml_data import FloatArray, VarianceParameters
from sensorhealth.degradation.reml_layout import Layout

THIN_BLOCKS = 16  # from this number of blocks on a fit of a few of them comes first
THIN_SHARE = 0.05
NESTED = 0.02  # part of the residuals expected of a column by chance under which its class goes with the sensors
LEAST_SHARE = 0.05  # part of an observed variance that a moment estimate keeps at least


@dataclass(frozen=True)
class Moments:
    """Moments of least-squares lines per sensor and of their residuals per column; shards add up."""

    readings: int
    spent: int  # coefficients of the lines
    squares: float  # y'wy
    explained: float  # by the lines
    lines: FloatArray  # (2, 3): sums of precision, precision * b^2 and count for intercept and slope
    products: FloatArray  # (3,) sums of a^2, ab, b^2 over sensors that have both
    residual: FloatArray  # (C,) T'w(y - line)
    diagonal: FloatArray  # (C,) T'wT
    clock: FloatArray  # (2,) sums of w and w g^2

    def __add__(self, other: Moments) -> Moments:
        return Moments(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


def moments_of(sums: Sums, random: str) -> Moments:
    """Moments from sums for white noise."""
    layout, q = sums.layout, sums.layout.fixed
    lines, noise = _lines(sums, random)
    known = np.isfinite(noise)
    precision = np.where(known, 1.0 / np.where(known, noise, 1.0), 0.0)
    both = known.all(axis=0)
    a, b = lines[:, both]
    residual, diagonal = _columns(sums, lines)
    return Moments(
        readings=len(layout.data.y),
        spent=int(known.sum()),
        squares=float(sums.xx[q, q]),
        explained=float((lines * sums.wx[:, q]).sum()),
        lines=np.stack((precision.sum(1), (precision * lines**2).sum(1), known.sum(1)), axis=1).astype(float),
        products=np.array([a @ a, a @ b, b @ b]),
        residual=residual,
        diagonal=diagonal,
        clock=np.array([sums.ww[0].sum(), sums.ww[2].sum()]),
    )


def start_parameters(moments: Moments, layout: Layout, *, brownian: bool) -> VarianceParameters:
    """Absolute variances to begin with; the wander begins at a third of the noise over the typical span."""
    m = moments
    free = max(m.readings - m.spent, 1)
    s2 = max(m.squares - m.explained, 1e-6 * m.squares, 1e-300) / free
    d = np.zeros((2, 2))
    for k, (precision, seen, count) in enumerate(m.lines):
        if precision > 0:
            d[k, k] = max((seen - s2 * count) / precision, LEAST_SHARE * seen / precision, 1e-12 * s2)
    if m.products[0] > 0 and m.products[2] > 0:
        correlation = m.products[1] / np.sqrt(m.products[0] * m.products[2])
        d[0, 1] = d[1, 0] = 0.5 * correlation * np.sqrt(d[0, 0] * d[1, 1])
    clock = m.clock[1] / max(m.clock[0], 1e-300)
    theta, share = _class_variances(m, layout, s2, d[0, 0] + d[1, 1] * clock)
    residual = max(s2 - share, 0.3 * s2)
    tau = 0.1 / np.sqrt(clock) if brownian and clock > 0 else 0.0
    crossed = {c.name: float(max(v, 1e-3 * residual)) for c, v in zip(layout.data.classes, theta)}
    return VarianceParameters(residual, d, crossed, tau * residual)


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


def _columns(sums: Sums, lines: FloatArray) -> tuple[FloatArray, FloatArray]:
    layout = sums.layout
    residual, diagonal = np.zeros(layout.columns), np.zeros(layout.columns)
    for block, tt, tx in zip(layout.blocks, sums.tt, sums.tx):
        diagonal[block.columns] += tt if tt.ndim == 1 else np.diag(tt)
        residual[block.columns] += tx[:, -1]
        for k in block.units:
            own = lines[:, None, layout.units[k].sensors]
            residual[block.columns] -= sums.pairs(k).scatter(own)[:, 0]
    return residual, diagonal


def _class_variances(m: Moments, layout: Layout, s2: float, lines: float) -> tuple[FloatArray, float]:
    """Variance of each class from its columns' sums of residuals, and what all add to one reading's variance.

    A class that goes with the sensors (lots) leaves no residual about their lines; it begins at a quarter of what the
    lines themselves (`lines`) add to one reading.
    """
    theta, share = np.zeros(len(layout.data.classes)), 0.0
    for k in range(len(theta)):
        columns = slice(layout.first_column[k], layout.first_column[k + 1])
        seen = m.diagonal[columns] > 0
        weight = m.diagonal[columns][seen]
        squares = float((m.residual[columns][seen] ** 2 / weight).sum())
        readings = float(weight.sum())
        if squares < NESTED * s2 * len(weight):
            theta[k] = 0.25 * lines * m.clock[0] / max(readings, 1e-300)
            continue
        theta[k] = max(squares - s2 * len(weight), 0.0) / max(readings, 1e-300)
        share += theta[k] * readings / max(m.clock[0], 1e-300)
    return theta, share


def thin_sums(sums: Sums) -> tuple[Sums, int] | None:
    """Sums of a few evenly spaced leaves and their number of readings, where there are enough leaves to choose from."""
    layout = sums.layout
    filled = [b for b, block in enumerate(layout.blocks) if len(block.columns) and block.units]
    if len(filled) < THIN_BLOCKS:
        return None
    count = max(THIN_BLOCKS // 4, round(THIN_SHARE * len(filled)))
    leaves = {filled[k] for k in np.linspace(0, len(filled) - 1, count).round().astype(int)}
    chosen = [b for b, block in enumerate(layout.blocks) if b in leaves or (len(block.columns) and not block.units)]
    number = {b: k for k, b in enumerate(chosen)}
    blocks: list[Block] = []
    units: list[Unit] = []
    kept: list[int] = []
    for b in chosen:
        block = layout.blocks[b]
        own_units = tuple(range(len(units), len(units) + len(block.units)))
        blocks.append(replace(block, units=own_units, parent=number.get(block.parent, -1)))
        units += [replace(layout.units[k], block=number[b]) for k in block.units]
        kept += block.units
    few = replace(layout, blocks=blocks, units=units)
    tx, tt = [sums.tx[b] for b in chosen], [sums.tt[b] for b in chosen]
    thin = Sums(few, sums.rz, sums.ww, sums.wx, sums.unit_xx[kept], tx, tt, 0.0)
    return thin, sum(len(unit.sensor) for unit in units)
