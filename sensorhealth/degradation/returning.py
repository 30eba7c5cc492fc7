"""Kernel: noise that is white, plus a wander of the readings that comes back, plus a Brownian wander of the path.

R = diag(1/w) + share C + tau K within a sensor; C_jk = exp(-|t_j - t_k| / time) (Ornstein and Uhlenbeck 1930, Physical Review
36:823-841), K as in `brownian`. Of C's wander a share a_k is left since the reading before, of K's all. The last two readings of
both together foretell the next without error but for what was added since: y_k - c_k y_(k-1) - (1 - c_k) y_(k-2), with c_k =
(1 - a_(k-1) a_k) / (1 - a_(k-1)), holds nothing but what was added to either at k and k-1. These second differences D turn R into
P = D R D', five diagonals wide, and K into F diag(step) F', F two diagonals wide; R^-1 = D' P^-1 D and |R| = |P|. The diagonals
of P^-1 come from its factor upwards (Takahashi, Fagan and Chin 1973; from memory). Regular at tau = 0; readings at one time must
keep a little less than all.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.linalg import lapack

from sensorhealth.degradation.brownian import Clock, ClockNoise
from sensorhealth.degradation.reml_data import FloatArray, IntArray, Returning


@dataclass(frozen=True)
class Differences:
    """The second differences: each reading less `one` times the last and `two` times the last but one of its sensor, (N,) each.
    What was added at the reading before enters by `path` (of K) and `after` (of C); `fresh`: variance of what C adds."""

    one: FloatArray
    two: FloatArray
    path: FloatArray
    after: FloatArray
    fresh: FloatArray


def differences_of(clock: Clock, keep: FloatArray) -> Differences:
    """What annihilates both wanders; keep (N,): share of C's that is left since the reading before."""
    first = clock.first > 0
    second = np.append(False, first[:-1]) & ~first
    later = ~first & ~second
    before = np.append(0.0, keep[:-1])
    one = np.where(later, (1.0 - before * keep) / np.where(later, 1.0 - before, 1.0), np.where(second, keep, 0.0))
    two = np.where(later, 1.0 - one, 0.0)
    path = np.where(first, 0.0, 1.0 - one)
    fresh = np.where(first, 1.0, (1.0 - keep) * (1.0 + keep))
    return Differences(one, two, path, np.where(later, keep - one, 0.0), fresh)


class ReturningNoise(ClockNoise):
    """R at one tau, as `ClockNoise`; what is asked of the wander is of both together, K and its derivatives are the path's."""

    returns = True

    def __init__(self, clock: Clock, weights: FloatArray, tau: float, returning: Returning) -> None:
        self.clock, self.weights, self.tau = clock, weights, tau
        self.keep, self.share = returning.keep, returning.share
        self._by = by = differences_of(clock, returning.keep)
        white = 1.0 / weights
        last, last_but_one = _before(white), _before(_before(white))
        band = np.zeros((3, len(white)))
        step, fresh = tau * clock.step, self.share * by.fresh
        band[0] = white + by.one**2 * last + by.two**2 * last_but_one + step + by.path**2 * _before(step)
        band[0] += fresh + by.after**2 * _before(fresh)
        beside = by.two * _before(by.one) * last_but_one - by.one * last + by.path * _before(step) + by.after * _before(fresh)
        band[1, :-1] = beside[1:]
        band[2, :-2] = (-by.two * last_but_one)[2:]
        self._root, info = lapack.dpbtrf(band, lower=1)
        if info != 0:
            raise np.linalg.LinAlgError("the noise covariance is not positive definite")
        self.log_det = 2.0 * float(np.log(self._root[0]).sum())

    def differences(self, columns: FloatArray, readings: IntArray | None = None) -> FloatArray:
        one, two = (part if readings is None else part[readings] for part in (self._by.one, self._by.two))
        found = np.array(columns, order="F")
        found[1:] -= one[1:, None] * columns[:-1]
        found[2:] -= two[2:, None] * columns[:-2]
        return found

    def half_way(self, differences: FloatArray, readings: IntArray | None = None, *, overwrite: bool = False) -> FloatArray:
        """P^-1 times second differences: all but the last step of R^-1."""
        root = self._root if readings is None else np.asfortranarray(self._root[:, readings])
        return np.asarray(lapack.dpbtrs(root, differences, lower=1, overwrite_b=overwrite)[0])

    def whole_way(self, half: FloatArray, readings: IntArray | None = None) -> FloatArray:
        one, two = (part if readings is None else part[readings] for part in (self._by.one, self._by.two))
        found = half.copy()
        found[:-1] -= one[1:, None] * half[1:]
        found[:-2] -= two[2:, None] * half[2:]
        return found

    def rooted(self, half: FloatArray, readings: IntArray | None = None) -> FloatArray:
        step, path = (part if readings is None else part[readings] for part in (self.clock.step, self._by.path))
        found = half.copy()
        found[:-1] += path[1:, None] * half[1:]
        return np.sqrt(step)[:, None] * found

    def stepped(self, half: FloatArray) -> FloatArray:
        moved = np.sqrt(self.clock.step)[:, None] * self.rooted(half)
        found = moved.copy()
        found[1:] += self._by.path[1:, None] * moved[:-1]
        return found

    def apart_from_path(self, columns: FloatArray) -> FloatArray:
        cells = self.clock.reading
        keep, fresh = (np.where(cells >= 0, part[cells], 0.0)[:, :, None] for part in (self.keep, self._by.fresh))
        walk = np.where(cells[:, :, None] >= 0, columns[cells], 0.0)
        for k in range(len(walk) - 2, -1, -1):
            walk[k] += keep[k + 1] * walk[k + 1]
        walk *= fresh
        for k in range(1, len(walk)):
            walk[k] += keep[k] * walk[k - 1]
        return super().apart_from_path(columns) + self.share * walk.transpose(1, 0, 2)[cells.T >= 0]

    def means(self, residual: FloatArray) -> FloatArray:
        return residual - self.solve(residual[:, None])[:, 0] / self.weights

    @cached_property
    def _inverse(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Diagonals of P^-1 (N,): of each reading with itself, the next and the next but one of its sensor."""
        cells, root = self.clock.reading, self._root
        there = cells >= 0
        pivot = np.where(there, root[0][cells] ** -2.0, 0.0)
        one, two = (np.where(there, (part / root[0])[cells], 0.0) for part in root[1:])
        own, beside, beyond = pivot, np.zeros_like(pivot), np.zeros_like(pivot)
        for k in range(len(own) - 2, -1, -1):
            second = k + 2 < len(own)
            far = own[k + 2] if second else 0.0
            beside[k] = -one[k] * own[k + 1] - (two[k] * beside[k + 1] if second else 0.0)
            beyond[k] = -one[k] * beside[k + 1] - two[k] * far
            own[k] = own[k] - one[k] * beside[k] - two[k] * beyond[k]
        return self._flat(own), self._flat(beside), self._flat(beyond)

    @cached_property
    def d_log_det(self) -> float:
        own, beside, _ = self._inverse
        path = np.append(self._by.path[1:], 0.0)
        return float(self.clock.step @ (own + 2.0 * path * beside + path**2 * np.append(own[1:], 0.0)))

    def smoothed_variance(self) -> FloatArray:
        """Variance (N,) of both wanders together at each reading, given the readings and everything else, relative."""
        own, beside, beyond = self._inverse
        one, two = np.append(self._by.one[1:], 0.0), np.append(self._by.two[2:], [0.0, 0.0])[: len(own)]
        next_own, next_beside = np.append(own[1:], 0.0), np.append(beside[1:], 0.0)
        far_own = np.append(own[2:], [0.0, 0.0])[: len(own)]
        diagonal = own + one**2 * next_own + two**2 * far_own
        diagonal += 2.0 * (one * two * next_beside - one * beside - two * beyond)
        white = 1.0 / self.weights
        return np.maximum(white - white**2 * diagonal, 0.0)

    def to_last(self) -> FloatArray:
        """Covariance (N,) of C's wander at each reading with that at its sensor's last."""
        cells = self.clock.reading
        keep = np.where(cells >= 0, self.keep[cells], 1.0)
        found = np.ones_like(keep)
        for k in range(len(keep) - 2, -1, -1):
            found[k] = keep[k + 1] * found[k + 1]
        return self.share * self._flat(found)


def make_noise(clock: Clock, weights: FloatArray, tau: float, returning: Returning | None) -> ClockNoise:
    """The noise of readings at one tau."""
    return ClockNoise(clock, weights, tau) if returning is None else ReturningNoise(clock, weights, tau, returning)


def _before(values: FloatArray) -> FloatArray:
    """Of each reading (N,) the value of the one before, whatever its sensor."""
    return np.append(0.0, values[:-1])
