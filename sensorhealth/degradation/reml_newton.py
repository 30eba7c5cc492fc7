"""Damped Newton search with a curvature that may be indefinite far from the optimum."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.errors import FitError


class Point(Protocol):
    """Value, gradient and curvature of what is minimised at one set of parameters."""

    @property
    def value(self) -> float: ...
    @property
    def gradient(self) -> FloatArray: ...
    @property
    def hessian(self) -> FloatArray: ...


P = TypeVar("P", bound=Point)
SHORTENINGS = 28
HOPE = 5.0  # times the predicted decrease that is left by which the value may still fall, at the very most (found: 1.6 times),
SURELY = 150.0  # and by how much in any case: near a zero standard deviation little is predicted and much may come
SLOW = 0.01  # rate of decrease from which on the curvature is made right along the latest step


@dataclass(frozen=True)
class Minimum(Generic[P]):
    """Where the search ended: parameters, the point there, whether it converged, points tried, predicted decrease left, and
    whether it was given up as hopeless."""

    phi: FloatArray
    point: P
    converged: bool
    evaluations: int
    decrement: float
    given_up: bool = False


def minimise(
    evaluate: Callable[[FloatArray], P],
    start: FloatArray,
    *,
    max_evaluations: int,
    tolerance: float,
    cap: float = 1.5,
    wanted: float = np.inf,
) -> Minimum[P]:
    """Newton steps with absolute eigenvalues, each component moving by at most cap times its size; halved on increase.

    wanted: a value that is asked for; the search is given up where it is far out of reach.

    Stops when the predicted decrease g'H^-1g falls under tolerance (units of the deviance), or will do so at the next
    point by the rate seen so far, which saves that point's derivatives.
    """
    phi, point, evaluations = start, evaluate(start), 1
    before, last, moved = 0.0, point, np.zeros_like(phi)
    while True:
        step, decrement = _direction(phi, point.gradient, point.hessian, cap)
        if 1.0 > decrement > SLOW * before > 0.0:
            hessian = _with_secant(point.hessian, moved, point.gradient - last.gradient)
            step, decrement = _direction(phi, point.gradient, hessian, cap)
        if decrement < tolerance:
            return Minimum(phi, point, True, evaluations, decrement)
        if _hopeless(point, decrement, wanted):
            return Minimum(phi, point, False, evaluations, decrement, given_up=True)
        trial, length, tried = _search_line(evaluate, phi, point, step, max_evaluations - evaluations)
        evaluations += tried
        if trial is None:
            # no decrease can be seen any more: at the limit of rounding if the predicted one is invisible too
            return Minimum(phi, point, decrement < 1e-9 * (1.0 + abs(point.value)), evaluations, decrement)
        moved = length * step
        last, phi, point = point, phi + moved, trial
        if length == 1.0 and decrement < 1e-2 and decrement * decrement < tolerance * before:
            return Minimum(phi, point, True, evaluations, decrement * decrement / before)
        before = decrement


def _hopeless(point: Point, decrement: float, wanted: float) -> bool:
    """Whether a minimum lies ahead, as the curvature has it, and far above the value that is wanted."""
    if point.value - max(HOPE * decrement, SURELY) <= wanted:
        return False
    return bool(np.linalg.eigvalsh(point.hessian).min() > 0.0)


def _with_secant(hessian: FloatArray, step: FloatArray, change: FloatArray) -> FloatArray:
    """The curvature made right along the latest step (Broyden-Fletcher-Goldfarb-Shanno update): average information
    differs from the curvature in small samples, which alone would make the last digits slow."""
    image = hessian @ step
    seen, believed = float(step @ change), float(step @ image)
    if seen <= 0 or believed <= 0 or not 0.1 < seen / believed < 10.0:
        return hessian
    return hessian - np.outer(image, image) / believed + np.outer(change, change) / seen


def _search_line(
    evaluate: Callable[[FloatArray], P], phi: FloatArray, point: P, step: FloatArray, budget: int
) -> tuple[P | None, float, int]:
    """First point along the step, halved as often as needed, that is not above the present one, its length and the
    number of points tried; None if there is none."""
    noise = 1e-12 * (1.0 + abs(point.value))
    length, tried = 1.0, 0
    while tried < min(budget, SHORTENINGS):
        tried += 1
        try:
            trial = evaluate(phi + length * step)
        except (np.linalg.LinAlgError, FitError):
            length *= 0.25  # so far out that the equations cannot be solved in these digits
            continue
        if trial.value <= point.value + noise:
            return trial, length, tried
        length *= 0.5
    return None, length, tried


def _direction(phi: FloatArray, gradient: FloatArray, hessian: FloatArray, cap: float) -> tuple[FloatArray, float]:
    """Step and predicted decrease."""
    if len(phi) == 0:
        return phi, 0.0
    size = np.sqrt(np.maximum(np.abs(np.diag(hessian)), 1e-300))
    values, vectors = np.linalg.eigh(hessian / np.outer(size, size))
    floor = 1e-8 * max(float(np.abs(values).max()), 1e-300)
    along = vectors.T @ (gradient / size)
    step = -(vectors @ (along / np.maximum(np.abs(values), floor))) / size
    decrement = float(-(gradient @ step))
    largest = np.max(np.abs(step) / np.maximum(np.abs(phi), 0.05 * np.abs(phi).max() + 1e-3))
    return step * min(1.0, cap / max(largest, 1e-300)), decrement
