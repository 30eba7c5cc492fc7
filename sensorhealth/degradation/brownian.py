"""Readings whose noise is white plus a Brownian wander: R = diag(1/w) + tau K, K_jk = min(g_j, g_k) within a sensor.

First differences D turn R into a tridiagonal P = D R D' with pivots equal to the innovation variances, so that one
LAPACK call serves all sensors stacked: R^-1 = D' P^-1 D and |R| = |P|. Entries of R^-1 come from the smoothed
covariance of the wander, G = tau * gamma, through Rauch-Tung-Striebel gains J (Rauch, Tung and Striebel 1965, AIAA
Journal 3:1445-1450): gamma_{k,k+l} = J_k gamma_{k+1,k+l}. Every recursion adds positive terms only and is regular at
tau = 0, at equal times and at g = 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack

from sensorhealth.degradation.reml_data import FloatArray, IntArray, Where


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


def reading_pairs(clock: Clock, sensors: Where) -> tuple[IntArray, IntArray]:
    """First and second reading of all pairs within each sensor (a reading with itself too), lag by lag; positions in
    the sensors' own list of readings."""
    real = clock.reading[:, sensors] >= 0
    count = real.sum(0)
    local = np.cumsum(count) - count + np.arange(len(real))[:, None]
    first = [local[: len(real) - lag][real[lag:]] for lag in range(len(real))]
    second = [local[lag:][real[lag:]] for lag in range(len(real))]
    return np.concatenate(first), np.concatenate(second)


class ClockNoise:
    """R at one tau (relative wander variance per unit of g): solves, log determinant and entries of its inverse."""

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
        self._filter()

    def solve(self, columns: FloatArray, readings: IntArray | None = None) -> FloatArray:
        """R^-1 times columns (N, k), or the part of some readings (r, k) that make up whole sensors."""
        pivot, multiplier, last = self._pivot, self._multiplier, self.clock.last
        if readings is not None:
            pivot, multiplier, last = pivot[readings], multiplier[readings[:-1]], last[readings]
        goes_on = (1.0 - last[:-1])[:, None]  # the next reading is the same sensor's
        solution = np.array(columns, order="F")  # as LAPACK wants it
        solution[1:] -= goes_on * columns[:-1]
        # the LAPACK routines want at least two equations
        solution = (
            lapack.dpttrs(pivot, multiplier, solution, overwrite_b=1)[0] if len(solution) > 1 else solution / pivot[:, None]
        )
        solution[:-1] -= goes_on * solution[1:]
        return solution

    def wander(self, columns: FloatArray) -> FloatArray:
        """K times columns (N, k): the derivative of R to tau applied to them."""
        cells = self.clock.reading
        padded = np.where(cells[:, :, None] >= 0, columns[cells], 0.0)
        suffix = np.cumsum(padded[::-1], axis=0)[::-1]
        walk = np.cumsum(self.clock.padded_step[:, :, None] * suffix, axis=0)
        return walk.transpose(1, 0, 2)[cells.T >= 0]

    def _filter(self) -> None:
        """Filtered and smoothed variances of W / tau, the gains, and the derivatives of all to tau; each (m, n)."""
        clock, tau = self.clock, self.tau
        weight = np.where(clock.reading >= 0, self.weights[clock.reading], 0.0)
        rows, sensors = weight.shape
        predicted, filtered, d_predicted, d_filtered = (np.zeros((rows, sensors)) for _ in range(4))
        state, d_state = np.zeros(sensors), np.zeros(sensors)
        for k in range(rows):
            ahead = state + clock.padded_step[k]
            shrink = 1.0 + weight[k] * tau * ahead
            predicted[k], d_predicted[k] = ahead, d_state
            d_state = (d_state - weight[k] * ahead * ahead) / (shrink * shrink)
            state = ahead / shrink
            filtered[k], d_filtered[k] = state, d_state
        gain, d_gain = np.zeros((rows, sensors)), np.zeros((rows, sensors))
        if rows > 1:
            ahead = np.where(predicted[1:] > 0, predicted[1:], 1.0)
            gain[:-1] = filtered[:-1] / ahead
            d_gain[:-1] = d_filtered[:-1] * clock.padded_step[1:] / (ahead * ahead)
        smooth, d_smooth = filtered.copy(), d_filtered.copy()
        for k in range(rows - 2, -1, -1):
            smooth[k] = filtered[k] * (1 - gain[k]) + gain[k] ** 2 * smooth[k + 1]
            d_smooth[k] = (
                d_filtered[k] * (1 - gain[k])
                - filtered[k] * d_gain[k]
                + 2 * gain[k] * d_gain[k] * smooth[k + 1]
                + gain[k] ** 2 * d_smooth[k + 1]
            )
        self.gain, self._d_gain, self.smooth, self._d_smooth = gain, d_gain, smooth, d_smooth
        scale = weight / (1.0 + weight * tau * predicted)
        self.d_log_det = float((scale * (predicted + tau * d_predicted)).sum())
        self._weight = weight

    def smoothed_variance(self) -> FloatArray:
        """Var(W at each reading | readings, everything else known), relative. Shape (N,)."""
        return self.tau * self._flat(self.smooth)

    def gains(self) -> FloatArray:
        """Gain J of each reading toward the next; 0 at the last. Shape (N,)."""
        return self._flat(self.gain)

    def _flat(self, padded: FloatArray) -> FloatArray:
        return padded.T[self.clock.reading.T >= 0]

    def inverse_entries(self, sensors: Where) -> tuple[FloatArray, FloatArray]:
        """Upper entries of R^-1 of some sensors and their derivatives to tau, the diagonal halved, in the order of
        `reading_pairs`."""
        weight, real = self._weight[:, sensors], self.clock.reading[:, sensors] >= 0
        gamma, d_gamma = self.smooth[:, sensors], self._d_smooth[:, sensors]
        gain, d_gain = self.gain[:, sensors], self._d_gain[:, sensors]
        values, slopes = [], []
        for lag in range(len(real)):
            if lag:
                ahead, d_ahead = gamma[1:], d_gamma[1:]
                gamma = gain[: len(ahead)] * ahead
                d_gamma = d_gain[: len(ahead)] * ahead + gain[: len(ahead)] * d_ahead
            product = -weight[: len(gamma)] * weight[lag:]
            value, slope = product * self.tau * gamma, product * (gamma + self.tau * d_gamma)
            if lag == 0:
                value, slope = 0.5 * (value + weight), 0.5 * slope
            there = real[lag:]
            values.append(value[there])
            slopes.append(slope[there])
        return np.concatenate(values), np.concatenate(slopes)
