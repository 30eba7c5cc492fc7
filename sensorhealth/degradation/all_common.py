"""Kernel: what the readings of a region can never tell: all its gas somewhat weak, or all its sensors; the same growing in time.

A shift of the gas on every date, d0 + d1 date, met by one of every life's level and slope, leaves all readings as they are; only
the priors of gas and lives speak against it. The uncertainty that this leaves is common to the lives of a region (those tied
together by cylinders) and is added to what their own readings leave open.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
ROUNDS = 12


class Common(NamedTuple):
    """region (n,) of each life; turn (n, 2, 2): what a shift (d0, d1) of its region's gas does to its level and slope; shift
    (r, 2, 2): covariance of the shifts of each region; columns (C,): variance that they give each column of the gas; date (C,):
    of each column, on the time scale of the lives.
    """

    region: IntArray
    turn: FloatArray
    shift: FloatArray
    columns: FloatArray
    date: FloatArray

    @property
    def spread(self) -> FloatArray:
        """Covariance (n, 2, 2) of level and slope of each life."""
        return self.turn @ self.shift[self.region] @ self.turn.transpose(0, 2, 1)


def common_spread(
    life: IntArray,
    column: IntArray,
    g: FloatArray,
    gas: FloatArray,
    prior: FloatArray,
    beta: FloatArray,
    lives: int,
    known: Common | None = None,
    same_times: bool = False,
) -> Common:
    """The shifts common to each region, and what they do to its lives and its gas.

    life, column (N,): life and gas column of each reading (-1 none); g (N,) its time scale; gas (C,): prior variance of each
    column; prior (2, 2): of the lives' levels and slopes about the common path; beta (2, 2): covariance of that. known: what
    was found when the same readings were asked about before; same_times: and at the same g.
    """
    met = column >= 0
    life, column, g = life[met], column[met], g[met]
    if not life.size:
        return Common(np.zeros(lives, dtype=np.int64), np.zeros((lives, 2, 2)), np.zeros((1, 2, 2)), *np.zeros((2, gas.size)))
    region, count = _regions(life, column, lives, gas.size) if known is None else (known.region, len(known.shift))
    of_column = np.zeros(gas.size, dtype=np.int64)
    of_column[column] = region[life]
    own, other = np.bincount(life, minlength=lives), np.bincount(column, minlength=gas.size)
    if known is not None and same_times:
        date, birth = known.date, -known.turn[:, 0, 1]
    else:
        date, birth = np.zeros(gas.size), np.zeros(lives)
        for _ in range(ROUNDS):  # dates of columns and births of lives that fit the times at which they met
            date = np.bincount(column, g + birth[life], gas.size) / np.maximum(other, 1)
            birth = np.bincount(life, date[column] - g, lives) / np.maximum(own, 1)
    used, read = other > 0, own > 0
    of_gas, of_lives = of_column[used], region[read]
    precision = _sums(of_gas, 1.0 / np.maximum(gas[used], 1e-18), date[used], count)
    inverse = np.asarray(np.linalg.pinv(prior, hermitian=True), dtype=float)
    turned = _lives(of_lives, birth[read], inverse, count)
    held = np.linalg.inv(np.linalg.inv(turned + 1e-12 * np.eye(2)) + beta)
    every = np.linalg.inv(precision + held)
    turn = np.tile(np.eye(2), (lives, 1, 1))
    turn[:, 0, 1] = -birth
    turn[~read] = 0.0
    row = np.stack([np.ones(gas.size), date], axis=1)
    columns = np.where(used, np.einsum("ci,cij,cj->c", row, every[of_column], row), 0.0)
    return Common(region, turn, every, columns, date)


def _regions(life: IntArray, column: IntArray, lives: int, columns: int) -> tuple[IntArray, int]:
    """Region of each life, and how many there are: lives that cylinders tie together."""
    size = lives + columns
    tied = sparse.coo_array((np.ones(life.size), (life, lives + column)), shape=(size, size))
    count, labels = sparse.csgraph.connected_components(tied, directed=False)
    found: IntArray = np.asarray(labels, dtype=np.int64)
    return found[:lives], int(count)


def _sums(group: IntArray, weight: FloatArray, date: FloatArray, count: int) -> FloatArray:
    """Sums (count, 2, 2) of weight (1, date)'(1, date) by group."""
    first, cross, second = (np.bincount(group, weight * date**k, count) for k in range(3))
    return np.moveaxis(np.array([[first, cross], [cross, second]]), 2, 0)


def _lives(group: IntArray, birth: FloatArray, inverse: FloatArray, count: int) -> FloatArray:
    """Sums (count, 2, 2) of B'D^-1 B by group, B = [[1, -birth], [0, 1]]."""
    one = np.bincount(group, minlength=count).astype(float)
    first, second = (np.bincount(group, birth**k, count) for k in (1, 2))
    a, b, c = inverse[0, 0], inverse[0, 1], inverse[1, 1]
    found = np.empty((count, 2, 2))
    found[:, 0, 0] = a * one
    found[:, 0, 1] = found[:, 1, 0] = b * one - a * first
    found[:, 1, 1] = a * second - 2.0 * b * first + c * one
    return found
