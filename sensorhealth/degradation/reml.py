"""Restricted maximum likelihood for random lines per sensor crossed with shared effects, and a Brownian wander.

`fit(data)` estimates the variances and everything that follows from them, `deviance(data, parameters)` gives the
criterion at given variances (lme4's REML criterion), `solve(data, parameters)` everything at given variances.
"""

from __future__ import annotations

import numpy as np

from sensorhealth.degradation.reml_criterion import Criterion, Evaluation
from sensorhealth.degradation.reml_data import (
    CrossedClass,
    CrossedData,
    FloatArray,
    Method,
    Penalty,
    VarianceParameters,
    check_data,
)
from sensorhealth.degradation.reml_fit import CrossedFit, SharedDraws
from sensorhealth.degradation.reml_layout import make_layout
from sensorhealth.degradation.reml_newton import Minimum, minimise
from sensorhealth.degradation.reml_start import start_values, thin_sums
from sensorhealth.errors import FitError

__all__ = [
    "CrossedClass",
    "CrossedData",
    "CrossedFit",
    "Penalty",
    "SharedDraws",
    "VarianceParameters",
    "deviance",
    "fit",
    "solve",
]

TOLERANCE = 1e-11  # predicted decrease of the deviance at which the search stops


def fit(
    data: CrossedData,
    *,
    method: Method = "REML",
    brownian: bool = False,
    penalty: Penalty | None = None,
    start: VarianceParameters | None = None,
    max_evaluations: int = 100,
    tolerance: float = TOLERANCE,
) -> CrossedFit:
    """Estimate the variances and all effects.

    start: variances of an earlier fit of similar data (a warm start); zeros in it are lifted a little, so that an
    effect once thought absent can return. Raises FitError on data that no such model fits.
    """
    check_data(data, brownian=brownian)
    criterion = Criterion(make_layout(data, brownian=brownian), method, brownian=brownian, penalty=penalty)
    phi = _thin_fit(criterion, _start(criterion)) if start is None else _lift(criterion, criterion.phi(start))
    found = minimise(criterion, phi, max_evaluations=max_evaluations, tolerance=tolerance)
    found = _leave_saddle(criterion, found, max_evaluations, tolerance)
    message = "converged" if found.converged else f"stopped after {found.evaluations} evaluations"
    return CrossedFit(criterion, found.point, found.converged, found.evaluations, message)


def deviance(data: CrossedData, parameters: VarianceParameters, method: Method = "REML") -> float:
    """-2 log (restricted) likelihood at given absolute variances; nothing is profiled but the fixed effects."""
    brownian = parameters.brownian > 0
    check_data(data, brownian=brownian)
    criterion = Criterion(make_layout(data, brownian=brownian), method, brownian=brownian)
    return criterion.at(parameters).deviance


def solve(data: CrossedData, parameters: VarianceParameters, method: Method = "REML") -> CrossedFit:
    """Predictions of everything at given variances."""
    brownian = parameters.brownian > 0
    check_data(data, brownian=brownian)
    criterion = Criterion(make_layout(data, brownian=brownian), method, brownian=brownian)
    evaluation = criterion.at(parameters)
    return CrossedFit(criterion, evaluation, True, 1, "variances were given")


def _start(criterion: Criterion) -> FloatArray:
    """Moment estimates; the wander begins at a third of the noise over the typical span."""
    layout = criterion.layout
    sums = criterion.white_sums
    d, theta, residual = start_values(sums, layout.data.random)
    g2 = sums.ww[2].sum() / max(sums.ww[0].sum(), 1e-300)
    tau = 0.1 / np.sqrt(g2) if criterion.brownian and g2 > 0 else 0.0
    names = [c.name for c in layout.data.classes]
    crossed = {name: float(value * residual) for name, value in zip(names, theta)}
    return criterion.phi(VarianceParameters(residual, d * residual, crossed, tau * residual))


def _thin_fit(criterion: Criterion, phi: FloatArray) -> FloatArray:
    """A rough fit of a few blocks of a large fleet, to begin the full one nearby."""
    thin = None if criterion.brownian else thin_sums(criterion.white_sums)
    if thin is None:
        return phi
    rough = Criterion(thin[0].layout, criterion.method, brownian=False, penalty=criterion.penalty)
    rough.white_sums = thin[0]
    rough.nu += thin[1] - len(criterion.layout.data.y)
    try:
        return minimise(rough, phi, max_evaluations=20, tolerance=1e-3).phi
    except FitError:  # the few blocks do not determine every fixed effect
        return phi


def _lift(criterion: Criterion, phi: FloatArray) -> FloatArray:
    """A warm start with zero standard deviations lifted to a small part of the usual start."""
    usual = np.abs(_start(criterion))
    count = len(phi) - int(not criterion.profiled)
    out = phi.copy()
    for k in range(count):
        if usual[k] > 0 and abs(phi[k]) < 0.02 * usual[k]:
            out[k] = 0.02 * usual[k]
    return out


def _leave_saddle(
    criterion: Criterion, found: Minimum[Evaluation], max_evaluations: int, tolerance: float
) -> Minimum[Evaluation]:
    """Where a zero standard deviation is a ridge and not a minimum, step off it and search on."""
    usual = np.abs(_start(criterion))
    for _ in range(3):
        phi = found.phi
        uphill = [
            k
            for k in range(len(phi) - int(not criterion.profiled))
            if usual[k] > 0 and abs(phi[k]) < 1e-3 * usual[k] and found.point.hessian[k, k] < 0
        ]
        if not uphill:
            return found
        phi = phi.copy()
        phi[uphill] = 0.1 * usual[uphill]
        again = minimise(criterion, phi, max_evaluations=max_evaluations, tolerance=tolerance)
        if again.point.value > found.point.value:
            return found
        found = Minimum(again.phi, again.point, again.converged, again.evaluations + found.evaluations, again.decrement)
    return found
