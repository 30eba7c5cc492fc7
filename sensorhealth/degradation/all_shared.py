"""Kernel: what lives share (fixed effects, cylinders, sessions, lots) from all their readings at given variances.

Henderson's equations with the lives absorbed, A v = T'V^-1 y with A = T'V^-1 T + Theta^-1, solved by conjugate gradients
(Hestenes and Stiefel 1952): nothing is kept but a number per column, so that a million lives take as much memory each as ten.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from sensorhealth.degradation.all_lines import Apart, Lines
from sensorhealth.degradation.all_paths import Paths
from sensorhealth.errors import FitError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
MOST_STEPS = 300
LEAST_VARIANCE = 1e-18


@dataclass(frozen=True)
class Shared:
    """One class of shared effects: column (N,) met by each reading (-1 none), coefficient (N,) or None for 1, prior variance
    (C,) of each column. varies: of lots, which whole lives meet, the fixed effect in which they differ; -1 for other classes.
    """

    index: IntArray
    value: FloatArray | None
    variance: FloatArray
    varies: int = -1

    @property
    def precision(self) -> FloatArray:
        """What is known of each column beforehand (C,)."""
        return 1.0 / np.maximum(self.variance, LEAST_VARIANCE)

    def on_readings(self, effects: FloatArray) -> FloatArray:
        """Effects (C,) at the readings (N,)."""
        found = np.append(effects, 0.0)[self.index]
        return found if self.value is None else found * self.value

    def squares(self, readings: FloatArray) -> FloatArray:
        """Sums (C,) of readings times the squared coefficient."""
        return self.products(self, readings)

    def products(self, other: Shared, readings: FloatArray) -> FloatArray:
        """The same with the coefficients of this class and of another that meets the same columns."""
        for value in (self.value, other.value):
            readings = readings if value is None else readings * value
        return np.bincount(self.index + 1, readings, self.variance.size + 1)[1:].astype(float, copy=False)

    def alike(self, other: Shared) -> bool:
        """Whether the two meet the same columns."""
        return self.variance.size == other.variance.size and np.array_equal(self.index, other.index)


def _met(classes: Sequence[Shared], readings: int) -> sparse.csr_array:
    """The matrix T (N, columns of all classes) of what each reading meets; a class that it does not meet is a nought in it."""
    classes = [item for item in classes if item.variance.size]
    size, first = len(classes), np.cumsum([0, *(item.variance.size for item in classes)])
    column, value = np.empty((readings, size), dtype=np.int32), np.empty((readings, size))
    for k, item in enumerate(classes):
        met = item.index >= 0
        column[:, k] = np.where(met, item.index, 0) + first[k]
        value[:, k] = met if item.value is None else np.where(met, item.value, 0.0)
    rows = np.arange(0, readings * size + 1, max(size, 1), dtype=np.int32) if size else np.zeros(readings + 1, dtype=np.int32)
    return sparse.csr_array((value.ravel(), column.ravel(), rows), shape=(readings, int(first[-1])))


class _Nearly:
    """The equations as they would be if only what is told by the same readings belonged together: the fixed effects and how lots
    differ in them, bias and fade of a cylinder, and every other column by itself.

    Solved at every step, they show conjugate gradients the way: without lots and fades in them it is four times as long.
    """

    def __init__(self, paths: Paths | Lines | Apart, x: FloatArray, classes: Sequence[Shared], told: FloatArray) -> None:
        information, effects = 1.0 / paths.noise, x.shape[1]
        self.cut = np.cumsum([effects, *(item.variance.size for item in classes)])[:-1]
        own = [item.squares(information) + item.precision for item in classes]
        self.diagonal = np.concatenate([np.ones(effects), *own])
        self.twins = [
            (i + 1, i + 2, one.products(two, information))
            for i, (one, two) in enumerate(itertools.pairwise(classes))
            if max(one.varies, two.varies) < 0 and one.alike(two)
        ][:1]
        lots = [item for item in classes if item.varies >= 0]
        self.lots = [k + 1 for k, item in enumerate(classes) if item.varies >= 0]
        place, size = (lots[0].index + 1, lots[0].variance.size + 1) if lots else (np.zeros(len(x), dtype=np.int64), 1)
        met = np.empty((size, effects, effects))
        for k, weighed in enumerate(paths.weigh(column) for column in x.T):
            for i in range(k + 1):
                met[:, i, k] = met[:, k, i] = np.bincount(place, weighed * x[:, i], size)
        with_fixed = met[1:, [item.varies for item in lots]]
        among = with_fixed[:, :, [item.varies for item in lots]]
        for k, item in enumerate(lots):
            among[:, k, k] += item.precision
        self.of_lots = np.linalg.inv(among)
        self.turned = self.of_lots @ with_fixed
        self.of_fixed = np.linalg.inv(met.sum(axis=0) + told - np.einsum("qki,qkj->ij", with_fixed, self.turned))

    def solved(self, right: FloatArray) -> FloatArray:
        """Their solution (columns,)."""
        found = right / self.diagonal
        parts, given, own = (np.split(vector, self.cut) for vector in (found, right, self.diagonal))
        for i, k, both in self.twins:
            det = own[i] * own[k] - both**2
            parts[i][:] = (own[k] * given[i] - both * given[k]) / det
            parts[k][:] = (own[i] * given[k] - both * given[i]) / det
        lots = np.array([given[k] for k in self.lots]).reshape(len(self.lots), len(self.of_lots))
        parts[0][:] = self.of_fixed @ (given[0] - np.einsum("qki,kq->i", self.turned, lots))
        for k, values in zip(self.lots, (np.einsum("qij,jq->iq", self.of_lots, lots) - (self.turned @ parts[0]).T)):
            parts[k][:] = values
        return found


def solve_shared(
    paths: Paths | Lines | Apart,
    y: FloatArray,
    x: FloatArray,
    classes: Sequence[Shared],
    begin: tuple[FloatArray, Sequence[FloatArray]],
    tolerance: float,
    known: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[FloatArray, list[FloatArray]]:
    """Fixed effects (p,) and effects of each class, from a start for both; everything in the order of the paths' layers.

    tolerance: of the equations, relative to what they begin with at zero. known: what other readings say of the fixed effects,
    mean (p,) and precision (p, p). Raises FitError where the equations do not come to rest.
    """
    sizes = [x.shape[1], *(item.variance.size for item in classes)]
    cut = np.cumsum(sizes)[:-1]
    precision = np.concatenate([np.zeros(sizes[0]), *(item.precision for item in classes)])
    told = np.zeros((sizes[0], sizes[0])) if known is None else known[1]

    def apart(vector: FloatArray) -> list[FloatArray]:
        return np.split(vector, cut)

    met = _met(classes, y.size)
    columns = met.T

    def gathered(readings: FloatArray) -> FloatArray:
        return np.concatenate([readings @ x, columns @ readings])

    def spread(vector: FloatArray) -> FloatArray:
        return np.asarray(met @ vector[sizes[0] :] + x @ vector[: sizes[0]])

    def held(vector: FloatArray) -> FloatArray:
        found = precision * vector
        found[: sizes[0]] = told @ vector[: sizes[0]]
        return found

    near = _Nearly(paths, x, classes, told)
    right = gathered(paths.weigh(y))
    if known is not None:
        right[: sizes[0]] += told @ known[0]
    at = np.concatenate([begin[0], *begin[1]])
    left = right - gathered(paths.weigh(spread(at))) - held(at)
    way = near.solved(left)
    size, enough = float(left @ way), tolerance**2 * float(right @ near.solved(right))
    for _ in range(MOST_STEPS):
        if size <= enough:
            beta, *effects = apart(at)
            return beta, effects
        image = gathered(paths.weigh(spread(way))) + held(way)
        step = size / float(way @ image)
        at = at + step * way
        left = left - step * image
        new = near.solved(left)
        before, size = size, float(left @ new)
        way = new + size / before * way
    raise FitError("the effects that sensors share do not come to rest; fit fewer sensors at once")
