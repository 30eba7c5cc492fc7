"""The search for the variances, wherever the criterion is computed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, Self, TypeVar

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray, VarianceParameters
from sensorhealth.degradation.reml_newton import Minimum, P, Point, minimise
from sensorhealth.degradation.reml_parameters import ParameterSpace

PATIENCE = 16  # evaluations after which the sensors' covariance may be factored the other way round
ROUNDS = 4
LIFT = 0.02  # part of the usual start to which a warm start's zero standard deviations are lifted
ON_RIDGE = 1e-3  # part of the usual start below which a standard deviation counts as zero
OFF_RIDGE = 0.1


Q = TypeVar("Q", bound=Point, covariant=True)


class Landscape(Protocol[Q]):
    """A parameter space with its criterion."""

    def __call__(self, phi: FloatArray) -> Q: ...
    def phi(self, parameters: VarianceParameters) -> FloatArray: ...
    def flipped(self) -> Self: ...
    @property
    def profiled(self) -> bool: ...
    @property
    def free_factor(self) -> list[int]: ...


def search(
    criterion: Landscape[P],
    variances: Callable[[P], VarianceParameters],
    usual: VarianceParameters,
    start: FloatArray,
    *,
    max_evaluations: int,
    tolerance: float,
    wanted: float = np.inf,
) -> Minimum[P]:
    """Minimise from `start`; where a zero standard deviation is a ridge and not a minimum, step off it and search on.

    variances: reads a point. usual: the moment estimates, which tell the size of each parameter. wanted: as of `minimise`.
    """
    found = minimise(criterion, start, max_evaluations=min(max_evaluations, PATIENCE), tolerance=tolerance, wanted=wanted)
    if found.given_up:
        return found
    if not found.converged and criterion.free_factor == [0, 1, 2]:
        criterion, found = _other_way_round(criterion, variances, usual, found)
    for _ in range(ROUNDS):
        size, count = np.abs(criterion.phi(usual)), len(start) - int(not criterion.profiled)
        phi = found.phi.copy()
        if found.converged:
            low = [k for k in range(count) if abs(phi[k]) < ON_RIDGE * size[k]]
            ridge = [k for k in low if found.point.hessian[k, k] < 0]
            if not ridge:
                return found
            phi[ridge] = OFF_RIDGE * size[ridge]
        left = max_evaluations - found.evaluations
        if left < 2:
            return found
        again = minimise(criterion, phi, max_evaluations=left, tolerance=tolerance)
        spent = again.evaluations + found.evaluations
        if found.converged and again.point.value > found.point.value:
            return found
        found = Minimum(again.phi, again.point, again.converged, spent, again.decrement)
    return found


def _other_way_round(
    criterion: Landscape[P], variances: Callable[[P], VarianceParameters], usual: VarianceParameters, found: Minimum[P]
) -> tuple[Landscape[P], Minimum[P]]:
    """Factor the sensors' covariance from the other end if the present first variance is the smaller by its size."""
    here = variances(found.point)
    share = np.diag(here.sensor) / np.maximum(np.diag(usual.sensor), 1e-300)
    if share[0] >= share[1]:
        return criterion, found
    other = criterion.flipped()
    phi = other.phi(here)
    return other, Minimum(phi, found.point, False, found.evaluations, found.decrement)


def lift(space: ParameterSpace, phi: FloatArray, usual: FloatArray) -> FloatArray:
    """A warm start whose zero standard deviations are lifted a little, so that an effect once absent can return."""
    out = phi.copy()
    for k in range(len(phi) - int(not space.profiled)):
        if abs(phi[k]) < LIFT * usual[k]:
            out[k] = LIFT * usual[k]
    return out
