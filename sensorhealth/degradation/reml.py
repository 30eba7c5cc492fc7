"""Restricted maximum likelihood for random lines per sensor crossed with shared effects, and a Brownian wander.

`fit(data)` estimates the variances and everything that follows from them, `deviance(data, parameters)` gives the
criterion at given variances (lme4's REML criterion), `solve(data, parameters)` everything at given variances. Each takes the
arrays, or their layout (`lay_out`) where the same sensors are asked about with readings or weights that change.
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
from sensorhealth.degradation.reml_layout import Layout, make_layout
from sensorhealth.degradation.reml_newton import minimise
from sensorhealth.degradation.reml_search import lift, search
from sensorhealth.degradation.reml_start import moments_of, start_parameters, thin_sums
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
    "lay_out",
    "solve",
]

TOLERANCE = 1e-11  # predicted decrease of the deviance at which the search stops
FEW_READINGS = 10_000  # under this number one digit more, as estimates are known less well beside it


def lay_out(data: CrossedData, *, brownian: bool = False) -> Layout:
    """Check the arrays and sort out which reading goes where, once. Raises FitError where they do not fit together."""
    check_data(data, brownian=brownian)
    return make_layout(data, brownian=brownian)


def _laid_out(data: CrossedData | Layout, brownian: bool) -> Layout:
    brownian = brownian or (data if isinstance(data, CrossedData) else data.data).returning is not None
    if isinstance(data, CrossedData):
        return lay_out(data, brownian=brownian)
    return data.with_clock() if brownian else data


def _wanders(data: CrossedData | Layout, parameters: VarianceParameters) -> bool:
    arrays = data if isinstance(data, CrossedData) else data.data
    return parameters.brownian > 0 or arrays.returning is not None


def fit(
    data: CrossedData | Layout,
    *,
    method: Method = "REML",
    brownian: bool = False,
    penalty: Penalty | None = None,
    start: VarianceParameters | None = None,
    known: CrossedFit | None = None,
    max_evaluations: int = 100,
    tolerance: float | None = None,
    wanted: float = np.inf,
) -> CrossedFit:
    """Estimate the variances and all effects.

    start: variances of an earlier fit of similar data (a warm start); zeros in it are lifted a little, so that an
    effect once thought absent can return. known: what `solve` gave for the same layout at `start`, which saves the first
    evaluation. wanted: a deviance that is asked for; the search is given up where it is far out of reach. Raises FitError on data
    that no such model fits.
    """
    layout = _laid_out(data, brownian)
    brownian = brownian or layout.data.returning is not None
    criterion = Criterion(layout, method, brownian=brownian, penalty=penalty)
    if tolerance is None:
        tolerance = TOLERANCE if len(layout.data.y) >= FEW_READINGS else 0.1 * TOLERANCE
    if known is not None:
        criterion.learn(known.evaluation)
    usual = start_parameters(moments_of(criterion.white_sums, layout.data.random), layout, brownian=brownian)
    begin = criterion.phi(usual)
    phi = _thin_fit(criterion, begin) if start is None else lift(criterion, criterion.phi(start), begin)
    found = search(
        criterion, Evaluation.parameters, usual, phi, max_evaluations=max_evaluations, tolerance=tolerance, wanted=wanted
    )
    message = "converged" if found.converged else f"stopped after {found.evaluations} evaluations"
    return CrossedFit(found.point.criterion, found.point, found.converged, found.evaluations, message, found.decrement)


def deviance(data: CrossedData | Layout, parameters: VarianceParameters, method: Method = "REML") -> float:
    """-2 log (restricted) likelihood at given absolute variances; nothing is profiled but the fixed effects."""
    brownian = _wanders(data, parameters)
    criterion = Criterion(_laid_out(data, brownian), method, brownian=brownian)
    return criterion.at(parameters).deviance


def solve(data: CrossedData | Layout, parameters: VarianceParameters, method: Method = "REML") -> CrossedFit:
    """Predictions of everything at given variances."""
    brownian = _wanders(data, parameters)
    criterion = Criterion(_laid_out(data, brownian), method, brownian=brownian)
    evaluation = criterion.at(parameters)
    return CrossedFit(criterion, evaluation, True, 1, "variances were given")


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
