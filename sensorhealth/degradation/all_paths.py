"""Kernel: the paths of any number of lives at given variances, all at once, in time that grows with their readings alone.

A life's readings net of all that it shares with others are level + slope g + W(g) + steps + noise. Filter and smoother run over
the k-th reading of every life at a time; the state is (level with wander and steps, slope). Smoothing goes back in the form that
needs no inverse (Bryson and Frazier 1963; de Jong 1989, Annals of Statistics 17:1073-1088), which also gives V^-1 r, V being the
covariance of a life's readings: what conjugate gradients for the effects that lives share are made of.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Paths:
    """n lives with N readings at given variances; arrays of readings go in and come out in the order of the layers.

    offsets (n + 1,), g (N,), noise (N,) variances (infinite: a place that is asked about and was not read), prior (3, n or 1):
    covariance of level and slope as 11, 12, 22, brownian: variance of the wander per unit g, step (N,): variance of a step
    before each reading; all in the order of the readings, sorted by life and g. order (N,): reading at each place of the
    layers.
    """

    def __init__(
        self, offsets: IntArray, g: FloatArray, noise: FloatArray, prior: FloatArray, brownian: float, step: FloatArray
    ) -> None:
        count = np.diff(offsets)
        self.rank = np.argsort(-count, kind="stable")
        falling = count[self.rank]
        sizes = [int(np.searchsorted(-falling, -k, side="left")) for k in range(int(count.max(initial=0)))]
        bounds = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
        self.layers = [slice(int(a), int(b)) for a, b in itertools.pairwise(bounds)]
        parts = [offsets[:-1][self.rank[:size]] + k for k, size in enumerate(sizes)]
        self.order = np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
        self.lives = count.size
        self.g, self.noise = g[self.order], noise[self.order]
        before = np.append(np.zeros(sizes[0]), g[self.order[sizes[0] :] - 1]) if self.order.size else self.g
        moves = brownian * np.maximum(self.g - before, 0.0) + step[self.order]
        self._gain = np.empty((2, self.g.size))
        self._seen = np.empty((2, self.g.size))  # covariance of the state, as foretold, with the reading
        self._inverse = np.empty(self.g.size)  # 1 / variance of the reading as foretold
        self._total = np.empty(self.g.size)  # that of the path alone
        self._covariance = np.broadcast_to(prior, (3, self.lives))[:, self.rank].copy()
        self._filter(moves)

    def _filter(self, moves: FloatArray) -> None:
        for at in self.layers:
            p = self._covariance[:, : at.stop - at.start]
            g = self.g[at]
            p[0] += moves[at]
            one, two = p[0] + g * p[1], p[1] + g * p[2]
            self._total[at] = one + g * two
            inverse = 1.0 / (self._total[at] + self.noise[at])
            self._seen[0, at], self._seen[1, at], self._inverse[at] = one, two, inverse
            self._gain[0, at], self._gain[1, at] = one * inverse, two * inverse
            p[0] -= one * one * inverse
            p[1] -= one * two * inverse
            p[2] -= two * two * inverse

    @property
    def covariance(self) -> FloatArray:
        """Of level and slope (3, n) after the last reading of each life."""
        found = np.empty_like(self._covariance)
        found[:, self.rank] = self._covariance
        return found

    def _forward(self, readings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Readings less what the earlier ones foretell (N,); state (2, n) after the last one."""
        off, state = np.empty_like(readings), np.zeros((2, self.lives))
        for at in self.layers:
            now = state[:, : at.stop - at.start]
            miss = readings[at] - now[0] - self.g[at] * now[1]
            off[at] = miss
            now[0] += self._gain[0, at] * miss
            now[1] += self._gain[1, at] * miss
        return off, state

    def weigh(self, readings: FloatArray) -> FloatArray:
        """V^-1 readings (N,)."""
        found, _ = self._forward(readings)
        back = np.zeros((2, self.lives))
        for at in reversed(self.layers):
            later = back[:, : at.stop - at.start]
            told = found[at] * self._inverse[at] + self._gain[0, at] * later[0] + self._gain[1, at] * later[1]
            found[at] = told
            later[0] -= told
            later[1] -= self.g[at] * told
        return found

    def smoothed(self, readings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean (N,) of the path at every reading, given all of its life's, and of level and slope (2, n) after the last of them;
        readings (N,) net of what is shared."""
        off, last = self._forward(readings)
        back = np.zeros((2, self.lives))
        mean = np.empty_like(off)
        for at in reversed(self.layers):
            later = back[:, : at.stop - at.start]
            told = off[at] * self._inverse[at] + self._gain[0, at] * later[0] + self._gain[1, at] * later[1]
            later[0] -= told
            later[1] -= self.g[at] * told
            foretold = readings[at] - off[at]
            mean[at] = foretold - self._seen[0, at] * later[0] - self._seen[1, at] * later[1]
        state = np.empty((2, self.lives))
        state[:, self.rank] = last
        return mean, state

    def variance(self) -> FloatArray:
        """Variance (N,) of the path at every reading, given all of its life's."""
        found = np.empty_like(self.g)
        back = np.zeros((3, self.lives))
        for at in reversed(self.layers):
            later = back[:, : at.stop - at.start]
            g, gain = self.g[at], self._gain[:, at]
            turned = later[0] * gain[0] + later[1] * gain[1], later[1] * gain[0] + later[2] * gain[1]
            told = self._inverse[at] + gain[0] * turned[0] + gain[1] * turned[1]
            later[0] += told - 2.0 * turned[0]
            later[1] += g * told - turned[1] - g * turned[0]
            later[2] += g * g * told - 2.0 * g * turned[1]
            one, two = self._seen[:, at]
            found[at] = self._total[at] - one * one * later[0] - 2.0 * one * two * later[1] - two * two * later[2]
        return np.maximum(found, 0.0)
