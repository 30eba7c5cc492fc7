"""Kernel: paths that neither wander nor step, in closed form; the interface is that of `all_paths.Paths`.

A life's readings net of what it shares are level + slope g + noise, (level, slope) ~ N(0, G). With S = Z'D^-1 Z, Z = (1, g) and D
the noise, the state after all readings has covariance C = (G^-1 + S)^-1 and mean C Z'D^-1 r, and V^-1 r = D^-1 (r - Z C Z'D^-1 r)
(Woodbury). C is written without G^-1, which need not exist: with d = det G,
C = [[G11 + d S22, G12 - d S12], [G12 - d S12, G22 + d S11]] / (1 + tr G S + d det S).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation.all_paths import Paths

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Order = IntArray | slice  # of readings; a slice where it is their own


class Lines:
    """n lives with N readings; arguments and answers as of `all_paths.Paths`, readings in the order in which they are given."""

    def __init__(self, offsets: IntArray, g: FloatArray, noise: FloatArray, prior: FloatArray) -> None:
        count = np.diff(offsets)
        self.order: Order = slice(None)
        self.lives = count.size
        self.g, self.noise = g, noise
        self._information = 1.0 / noise
        self._read = np.flatnonzero(count)
        self._count, self._first = count[self._read], offsets[:-1][self._read]
        turned = self._information * g
        s11, s12, s22 = (self._sums(part) for part in (self._information, turned, turned * g))
        g11, g12, g22 = np.broadcast_to(prior, (3, self.lives))
        d = g11 * g22 - g12 * g12
        total = 1.0 + g11 * s11 + 2.0 * g12 * s12 + g22 * s22 + d * (s11 * s22 - s12 * s12)
        self.covariance = np.stack([g11 + d * s22, g12 - d * s12, g22 + d * s11]) / total

    def _sums(self, readings: FloatArray) -> FloatArray:
        """Sums (n,) over each life."""
        found = np.zeros(self.lives)
        if self._read.size:
            found[self._read] = np.add.reduceat(readings, self._first)
        return found

    def _state(self, readings: FloatArray) -> tuple[FloatArray, FloatArray]:
        one, two = self._sums(readings), self._sums(readings * self.g)
        c11, c12, c22 = self.covariance
        return c11 * one + c12 * two, c12 * one + c22 * two

    def _on_readings(self, lives: FloatArray) -> FloatArray:
        return np.repeat(lives[self._read], self._count)

    def weigh(self, readings: FloatArray) -> FloatArray:
        """V^-1 readings (N,)."""
        found = readings * self._information
        level, slope = self._state(found)
        path = self._on_readings(slope)
        path *= self.g
        path += self._on_readings(level)
        path *= self._information
        found -= path
        return found

    def smoothed(self, readings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean (N,) of the path at every reading, given all of its life's, and of level and slope (2, n)."""
        level, slope = self._state(readings * self._information)
        return self._on_readings(level) + self.g * self._on_readings(slope), np.stack([level, slope])

    def variance(self) -> FloatArray:
        """Variance (N,) of the path at every reading, given all of its life's."""
        c11, c12, c22 = (self._on_readings(part) for part in self.covariance)
        return np.maximum(c11 + 2.0 * self.g * c12 + self.g**2 * c22, 0.0)


class Apart:
    """Lives some of which step and none wanders: these as `Paths`, the others as `Lines`."""

    def __init__(
        self, offsets: IntArray, g: FloatArray, noise: FloatArray, prior: FloatArray, step: FloatArray, steps: NDArray[np.bool_]
    ) -> None:
        count, self.lives = np.diff(offsets), steps.size
        every = np.broadcast_to(prior, (3, self.lives))
        self._own = np.flatnonzero(~steps), np.flatnonzero(steps)
        rows = [np.flatnonzero(np.repeat(mask, count)) for mask in (~steps, steps)]
        ends = [np.concatenate([[0], np.cumsum(count[own])]) for own in self._own]
        lines = Lines(ends[0], g[rows[0]], noise[rows[0]], every[:, self._own[0]])
        paths = Paths(ends[1], g[rows[1]], noise[rows[1]], every[:, self._own[1]], 0.0, step[rows[1]])
        self._parts: tuple[Lines | Paths, Lines | Paths] = lines, paths
        self._cut = rows[0].size
        self.order: Order = np.concatenate([rows[0], rows[1][paths.order]])
        self.noise = noise[self.order]

    def _halves(self, readings: FloatArray) -> tuple[FloatArray, FloatArray]:
        return readings[: self._cut], readings[self._cut :]

    def _of_lives(self, parts: list[FloatArray]) -> FloatArray:
        found = np.empty((len(parts[0]), self.lives))
        for own, part in zip(self._own, parts):
            found[:, own] = part
        return found

    @property
    def covariance(self) -> FloatArray:
        """Of level and slope (3, n) after the last reading of each life."""
        return self._of_lives([part.covariance for part in self._parts])

    def weigh(self, readings: FloatArray) -> FloatArray:
        """V^-1 readings (N,)."""
        return np.concatenate([part.weigh(half) for part, half in zip(self._parts, self._halves(readings))])

    def smoothed(self, readings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """As of `Paths`."""
        found = [part.smoothed(half) for part, half in zip(self._parts, self._halves(readings))]
        return np.concatenate([mean for mean, _ in found]), self._of_lives([state for _, state in found])

    def variance(self) -> FloatArray:
        """As of `Paths`."""
        return np.concatenate([part.variance() for part in self._parts])


def paths_of(
    offsets: IntArray, g: FloatArray, noise: FloatArray, prior: FloatArray, brownian: float, step: FloatArray
) -> Paths | Lines | Apart:
    """The quickest of the three for these lives; arguments as of `Paths`."""
    if brownian > 0.0:
        return Paths(offsets, g, noise, prior, brownian, step)
    life = np.repeat(np.arange(offsets.size - 1), np.diff(offsets))
    steps = np.zeros(offsets.size - 1, dtype=bool)
    steps[life[step > 0.0]] = True
    if not steps.any():
        return Lines(offsets, g, noise, prior)
    return Paths(offsets, g, noise, prior, 0.0, step) if steps.all() else Apart(offsets, g, noise, prior, step, steps)
