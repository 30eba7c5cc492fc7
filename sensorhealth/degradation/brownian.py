"""Readings whose noise is white plus a Brownian wander: R = diag(1/w) + tau K, K_jk = min(g_j, g_k) within a sensor.

First differences D turn R into a tridiagonal P = D R D' with pivots equal to the innovation variances, so that one
LAPACK call serves all sensors stacked: R^-1 = D' P^-1 D and |R| = |P|; and as D K D' = diag(step), R^-1 K R^-1 =
D' P^-1 diag(step) P^-1 D. What is left of the wander comes from filtered
variances through Rauch-Tung-Striebel gains J (Rauch, Tung and Striebel 1965, AIAA Journal 3:1445-1450). Every recursion is
regular at tau = 0, at equal times and at g = 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import lapack

from sensorhealth.degradation.reml_data import FloatArray, IntArray


@dataclass(frozen=True)
class Clock:
    """Times of all sensors, and the same padded to a rectangle (longest sensor, sensors) for the recursions."""

    offsets: IntArray  # (n+1,)
    step: FloatArray  # (N,) g_k - g_{k-1}, and g itself at a sensor's first reading
    first: FloatArray  # (N,) bool as 0/1: first reading of its sensor
    last: FloatArray  # (N,) same for the last
    reading: IntArray  # (m, n) reading in each cell of the rectangle, -1 for padding
    padded_step: FloatArray  # (m, n), 0 in padding


def make_clock(g: FloatArray, offsets: IntArray) -> Clock:
    """Lay the readings out for the recursions."""
    count = np.diff(offsets)
    first = np.zeros(len(g))
    last = np.zeros(len(g))
    seen = count > 0
    first[offsets[:-1][seen]] = 1.0
    last[offsets[1:][seen] - 1] = 1.0
    previous = np.concatenate(([0.0], g[:-1])) if len(g) else g
    step = g - np.where(first > 0, 0.0, previous)
    position = np.arange(int(count.max()) if len(count) else 0)[:, None]
    reading = np.where(position < count, offsets[:-1] + position, -1)
    return Clock(offsets, step, first, last, reading, np.where(reading >= 0, step[reading] if len(g) else 0.0, 0.0))


class ClockNoise:
    """R at one tau (relative wander variance per unit of g): solves, log determinant and what is left of the wander."""

    returns = False  # whether there is a wander that comes back besides

    def __init__(self, clock: Clock, weights: FloatArray, tau: float) -> None:
        self.clock, self.weights, self.tau = clock, weights, tau
        white = 1.0 / weights
        before = np.concatenate(([0.0], white[:-1]))
        diagonal = white + np.where(clock.first > 0, 0.0, before) + tau * clock.step
        coupling = np.where(clock.first[1:] > 0, 0.0, -white[:-1])
        self._pivot: FloatArray
        self._multiplier: FloatArray
        self._pivot, self._multiplier, info = lapack.dpttrf(diagonal, coupling) if len(white) > 1 else (diagonal, coupling, 0)
        if info != 0:
            raise np.linalg.LinAlgError("the noise covariance is not positive definite")
        self.log_det = float(np.log(self._pivot).sum())

    def solve(self, columns: FloatArray, readings: IntArray | None = None) -> FloatArray:
        """R^-1 times columns (N, k), or the part of some readings (r, k) that make up whole sensors."""
        return self.whole_way(self.half_way(self.differences(columns, readings), readings, overwrite=True), readings)

    def differences(self, columns: FloatArray, readings: IntArray | None = None) -> FloatArray:
        """D times columns (N, k) or (r, k): first differences within each sensor, laid out as LAPACK wants them."""
        last = self.clock.last if readings is None else self.clock.last[readings]
        found = np.array(columns, order="F")
        found[1:] -= (1.0 - last[:-1])[:, None] * columns[:-1]
        return found

    def half_way(self, differences: FloatArray, readings: IntArray | None = None, *, overwrite: bool = False) -> FloatArray:
        """P^-1 times first differences: all but the last step of R^-1, and sums of what R^-1 gives to each sensor's end, so that
        K R^-1 columns = cumulated steps times these, and columns' R^-1 K R^-1 columns = sums of step times their squares."""
        pivot, multiplier = self._pivot, self._multiplier
        if readings is not None:
            pivot, multiplier = pivot[readings], multiplier[readings[:-1]]
        if len(differences) < 2:  # the LAPACK routines want at least two equations
            return np.asarray(differences / pivot[:, None])
        return np.asarray(lapack.dpttrs(pivot, multiplier, differences, overwrite_b=overwrite)[0])

    def half_way_abreast(self, differences: FloatArray, readings: IntArray) -> FloatArray:
        """As `half_way` for n whole sensors side by side: differences (m, n, k) by place in the sensor, readings (m, n) which
        they are, -1 where a sensor has none any more. Every step takes all sensors and columns along, where LAPACK goes through
        them column by column."""
        real = readings >= 0
        factor = np.where(real[1:], -np.append(self._multiplier, 0.0)[readings[:-1]], 0.0)[:, :, None]
        found, part = differences.copy(), np.empty(differences.shape[1:])
        rows, factors = list(found), list(factor)
        for before, now, along in zip(rows, rows[1:], factors):
            now += np.multiply(before, along, out=part)
        found *= np.where(real, 1.0 / self._pivot[readings], 0.0)[:, :, None]
        for after, now, along in zip(rows[:0:-1], rows[-2::-1], factors[::-1]):
            now += np.multiply(after, along, out=part)
        return found

    def whole_way(self, half: FloatArray, readings: IntArray | None = None) -> FloatArray:
        """R^-1 columns from what `half_way` gave of them, which is lost."""
        last = self.clock.last if readings is None else self.clock.last[readings]
        half[:-1] -= (1.0 - last[:-1])[:, None] * half[1:]  # where the next reading is the same sensor's
        return half

    def apart_from_path(self, columns: FloatArray) -> FloatArray:
        """R - tau K times columns (N, k)."""
        return columns / self.weights[:, None]

    def rooted(self, half: FloatArray, readings: IntArray | None = None) -> FloatArray:
        """Of columns from `half_way`, what squares and adds up to columns' R^-1 K R^-1 columns."""
        step = self.clock.step if readings is None else self.clock.step[readings]
        return np.asarray(np.sqrt(step)[:, None] * half)

    def stepped(self, half: FloatArray) -> FloatArray:
        """D K R^-1 columns, from what `half_way` gave of the columns."""
        return np.asarray(self.clock.step[:, None] * half)

    def means(self, residual: FloatArray) -> FloatArray:
        """E(W | residuals (N,)) at every reading (N,)."""
        return self.tau * self.wander(self.solve(residual[:, None]))[:, 0]

    def wander(self, columns: FloatArray) -> FloatArray:
        """K times columns (N, k): the derivative of R to tau applied to them."""
        cells = self.clock.reading
        padded = np.where(cells[:, :, None] >= 0, columns[cells], 0.0)
        suffix = np.cumsum(padded[::-1], axis=0)[::-1]
        walk = np.cumsum(self.clock.padded_step[:, :, None] * suffix, axis=0)
        return walk.transpose(1, 0, 2)[cells.T >= 0]

    @cached_property
    def _filtered(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Weights, predicted and filtered variances of W / tau, each (m, n)."""
        clock, tau = self.clock, self.tau
        weight = np.where(clock.reading >= 0, self.weights[clock.reading], 0.0)
        predicted, filtered = np.empty_like(weight), np.empty_like(weight)
        state = np.zeros(weight.shape[1])
        for k, step in enumerate(clock.padded_step):
            predicted[k] = state + step
            state = predicted[k] / (1.0 + weight[k] * tau * predicted[k])
            filtered[k] = state
        return weight, predicted, filtered

    @cached_property
    def d_log_det(self) -> float:
        """Derivative of log|R| = log|P| to tau: sum of steps times the diagonal of P^-1, up from each sensor's last reading."""
        cells = self.clock.reading
        inverse = np.where(cells >= 0, (1.0 / self._pivot)[cells], 0.0)
        factor = np.where(cells >= 0, np.append(self._multiplier, 0.0)[cells] ** 2, 0.0)  # 0 toward another sensor
        for k in range(len(inverse) - 2, -1, -1):
            inverse[k] += factor[k] * inverse[k + 1]
        return float((self.clock.padded_step * inverse).sum())

    @cached_property
    def _gain(self) -> FloatArray:
        """Smoothing gains (m, n)."""
        _, predicted, filtered = self._filtered
        gain = np.zeros_like(filtered)
        gain[:-1] = filtered[:-1] / np.where(predicted[1:] > 0, predicted[1:], 1.0)
        return gain

    def smoothed_variance(self) -> FloatArray:
        """Var(W at each reading | readings, everything else known), relative. Shape (N,)."""
        gain, smooth = self._gain, self._filtered[2].copy()
        for k in range(len(smooth) - 2, -1, -1):
            smooth[k] = smooth[k] * (1 - gain[k]) + gain[k] ** 2 * smooth[k + 1]
        return self.tau * self._flat(smooth)

    def gains(self) -> FloatArray:
        """Gain J of each reading toward the next; 0 at the last. Shape (N,)."""
        return self._flat(self._gain)

    def _flat(self, padded: FloatArray) -> FloatArray:
        return padded.T[self.clock.reading.T >= 0]
