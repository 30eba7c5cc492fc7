"""Kernel: what lives share (fixed effects, cylinders, sessions, lots) from all their readings at given variances.

Henderson's equations with the lives absorbed, A v = T'V^-1 y with A = T'V^-1 T + Theta^-1, solved by conjugate gradients
(Hestenes and Stiefel 1952): nothing is kept but a number per column, so that a million lives take as much memory each as ten.
"""

from __future__ import annotations

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


@dataclass(frozen=True)
class Shared:
    """One class of shared effects: column (N,) met by each reading (-1 none), coefficient (N,) or None for 1, prior variance
    (C,) of each column.
    """

    index: IntArray
    value: FloatArray | None
    variance: FloatArray

    def on_readings(self, effects: FloatArray) -> FloatArray:
        """Effects (C,) at the readings (N,)."""
        found = np.append(effects, 0.0)[self.index]
        return found if self.value is None else found * self.value

    def squares(self, readings: FloatArray) -> FloatArray:
        """Sums (C,) of readings times the squared coefficient."""
        weighed = readings if self.value is None else readings * self.value**2
        return np.bincount(self.index + 1, weighed, self.variance.size + 1)[1:].astype(float, copy=False)


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
    precision = np.concatenate([np.zeros(sizes[0]), *(1.0 / np.maximum(item.variance, 1e-18) for item in classes)])
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

    information = 1.0 / paths.noise
    diagonal = np.concatenate([np.ones(sizes[0]), *(item.squares(information) for item in classes)]) + precision
    fixed = np.linalg.inv(np.stack([paths.weigh(column) @ x for column in x.T]) + told) if sizes[0] else np.zeros((0, 0))

    def prepared(vector: FloatArray) -> FloatArray:
        out = vector / diagonal
        out[: sizes[0]] = fixed @ vector[: sizes[0]]
        return out

    right = gathered(paths.weigh(y))
    if known is not None:
        right[: sizes[0]] += told @ known[0]
    at = np.concatenate([begin[0], *begin[1]])
    left = right - gathered(paths.weigh(spread(at))) - held(at)
    way = prepared(left)
    size, enough = float(left @ way), tolerance**2 * float(right @ prepared(right))
    for _ in range(MOST_STEPS):
        if size <= enough:
            beta, *effects = apart(at)
            return beta, effects
        image = gathered(paths.weigh(spread(way))) + held(way)
        step = size / float(way @ image)
        at = at + step * way
        left = left - step * image
        new = prepared(left)
        before, size = size, float(left @ new)
        way = new + size / before * way
    raise FitError("the effects that sensors share do not come to rest; fit fewer sensors at once")
