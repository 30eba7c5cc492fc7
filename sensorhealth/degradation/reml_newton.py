"""Damped Newton search with a curvature that may be indefinite far from the optimum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray


class Point(Protocol):
    """Value, gradient and curvature of what is minimised at one set of parameters."""

    @property
    def value(self) -> float: ...
    @property
    def gradient(self) -> FloatArray: ...
    @property
    def hessian(self) -> FloatArray: ...


P = TypeVar("P", bound=Point)


@dataclass(frozen=True)
class Minimum(Generic[P]):
    phi: FloatArray
    point: P
    converged: bool
    evaluations: int
    decrement: float


def minimise(
    evaluate: Callable[[FloatArray], P], start: FloatArray, *, max_evaluations: int, tolerance: float, cap: float = 1.5
) -> Minimum[P]:
    """Newton steps with absolute eigenvalues, each component moving by at most cap times its size; halved on increase.

    Stops when the predicted decrease g'H^-1g falls under tolerance (units of the deviance), or will do so at the next
    point by the rate seen so far, which saves that point's derivatives.
    """
    phi, point, evaluations = start, evaluate(start), 1
    before = np.inf
    while True:
        step, decrement = _direction(phi, point, cap)
        if decrement < tolerance:
            return Minimum(phi, point, True, evaluations, decrement)
        found = _search_line(evaluate, phi, point, step, max_evaluations - evaluations)
        if found is None:
            # no decrease can be seen any more: at the limit of rounding if the predicted one is invisible too
            return Minimum(phi, point, decrement < 1e-6 * (1.0 + abs(point.value)), max_evaluations, decrement)
        phi, point, length, tried = found
        evaluations += tried
        if length == 1.0 and decrement < 1e-2 and decrement * decrement / before < tolerance:
            return Minimum(phi, point, True, evaluations, decrement * decrement / before)
        before = decrement


def _search_line(
    evaluate: Callable[[FloatArray], P], phi: FloatArray, point: P, step: FloatArray, budget: int
) -> tuple[FloatArray, P, float, int] | None:
    """First point along the step, halved as often as needed, that is not above the present one; None if there is none."""
    noise = 1e-12 * (1.0 + abs(point.value))
    length = 1.0
    for tried in range(1, min(budget, 28) + 1):
        trial = evaluate(phi + length * step)
        if trial.value <= point.value + noise:
            return phi + length * step, trial, length, tried
        length *= 0.5
    return None


def _direction(phi: FloatArray, point: Point, cap: float) -> tuple[FloatArray, float]:
    """Step and predicted decrease."""
    if len(phi) == 0:
        return phi, 0.0
    size = np.sqrt(np.maximum(np.abs(np.diag(point.hessian)), 1e-300))
    values, vectors = np.linalg.eigh(point.hessian / np.outer(size, size))
    floor = 1e-8 * max(float(np.abs(values).max()), 1e-300)
    along = vectors.T @ (point.gradient / size)
    step = -(vectors @ (along / np.maximum(np.abs(values), floor))) / size
    decrement = float(-(point.gradient @ step))
    largest = np.max(np.abs(step) / np.maximum(np.abs(phi), 0.05 * np.abs(phi).max() + 1e-3))
    return step * min(1.0, cap / max(largest, 1e-300)), decrement
