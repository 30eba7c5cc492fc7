"""The search for the variances, wherever the criterion is computed."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray
from sensorhealth.degradation.reml_newton import Minimum, P, minimise
from sensorhealth.degradation.reml_parameters import ParameterSpace

LIFT = 0.02  # part of the usual start to which a warm start's zero standard deviations are lifted
ON_RIDGE = 1e-3  # part of the usual start below which a standard deviation counts as zero
OFF_RIDGE = 0.1


def search(
    space: ParameterSpace,
    evaluate: Callable[[FloatArray], P],
    usual: FloatArray,
    start: FloatArray,
    *,
    max_evaluations: int,
    tolerance: float,
) -> Minimum[P]:
    """Minimise from `start`; where a zero standard deviation is a ridge and not a minimum, step off it and search on.

    usual: the moment estimates, which tell the size of each parameter.
    """
    found = minimise(evaluate, start, max_evaluations=max_evaluations, tolerance=tolerance)
    size, count = np.abs(usual), len(usual) - int(not space.profiled)
    for _ in range(3):
        low = [k for k in range(count) if abs(found.phi[k]) < ON_RIDGE * size[k]]
        ridge = [k for k in low if found.point.hessian[k, k] < 0]
        if not ridge:
            return found
        phi = found.phi.copy()
        phi[ridge] = OFF_RIDGE * size[ridge]
        again = minimise(evaluate, phi, max_evaluations=max_evaluations, tolerance=tolerance)
        if again.point.value > found.point.value:
            return found
        found = Minimum(again.phi, again.point, again.converged, again.evaluations + found.evaluations, again.decrement)
    return found


def lift(space: ParameterSpace, phi: FloatArray, usual: FloatArray) -> FloatArray:
    """A warm start whose zero standard deviations are lifted a little, so that an effect once absent can return."""
    out = phi.copy()
    for k in range(len(phi) - int(not space.profiled)):
        if abs(phi[k]) < LIFT * usual[k]:
            out[k] = LIFT * usual[k]
    return out
