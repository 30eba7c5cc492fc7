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

    Stops when the predicted decrease g'H^-1g falls under tolerance (units of the deviance).
    """
    phi, point, evaluations = start, evaluate(start), 1
    while True:
        step, decrement = _direction(phi, point, cap)
        if decrement < tolerance:
            return Minimum(phi, point, True, evaluations, decrement)
        noise = 1e-12 * (1.0 + abs(point.value))
        length = 1.0
        while True:
            if evaluations >= max_evaluations:
                return Minimum(phi, point, False, evaluations, decrement)
            trial = evaluate(phi + length * step)
            evaluations += 1
            if trial.value <= point.value + noise:
                break
            length *= 0.5
            if length < 1e-8:
                # no decrease can be seen any more: at the limit of rounding if the predicted one is invisible too
                return Minimum(phi, point, decrement < 1e-6 * (1.0 + abs(point.value)), evaluations, decrement)
        phi, point = phi + length * step, trial


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
