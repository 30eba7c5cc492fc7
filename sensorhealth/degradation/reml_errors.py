"""Standard errors of the variances themselves, by the delta method from the average information."""

from __future__ import annotations

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray, VarianceParameters
from sensorhealth.degradation.reml_parameters import ParameterSpace, Relative
from sensorhealth.degradation.reml_score import Score


def covariance_of(hessian: FloatArray) -> FloatArray:
    """Covariance of parameters whose -2 log-likelihood has this curvature; flat directions get a wide variance."""
    if not len(hessian):
        return hessian
    values, vectors = np.linalg.eigh(hessian)
    floor = 1e-10 * max(float(np.abs(values).max()), 1e-300)
    return np.asarray(2.0 * (vectors / np.maximum(np.abs(values), floor)) @ vectors.T)


def relative_variances(space: ParameterSpace, relative: Relative) -> FloatArray:
    """Residual (1), D11, D12, D22, each class's, the wander's if any (m,), all relative to the residual variance."""
    d = relative.factor @ relative.factor.T
    return np.concatenate(([1.0, d[0, 0], d[0, 1], d[1, 1]], relative.theta, [relative.tau] if space.brownian else []))


def variance_covariance(
    space: ParameterSpace,
    phi: FloatArray,
    relative: Relative,
    residual: float,
    rss: float,
    score: Score,
    covariance: FloatArray,
) -> FloatArray:
    """Covariance (m, m) of the absolute variances by the delta method, in the order of `relative_variances`.

    covariance: of phi. Where the residual variance s2 is profiled out, ln s2 follows phi along its profile with slope
    -y'PV_kPy / rss and has the variance 2 / nu around it. Zero for what is fixed or estimated at zero.
    """
    jacobian = space.jacobian(phi, relative)
    size = relative_variances(space, relative)
    along = -(score.quadratic @ jacobian[:-1]) / rss if space.profiled else jacobian[-1]
    slopes = np.vstack((along, jacobian[:-1] + np.outer(size[1:], along)))
    out = residual**2 * slopes @ covariance @ slopes.T
    if space.profiled:
        out += residual**2 * np.outer(size, size) * 2.0 / space.nu
    fixed = [4 + k for k in space.fixed_class]
    out[fixed] = out[:, fixed] = 0.0
    return np.asarray(out)


def variance_errors(space: ParameterSpace, covariance: FloatArray) -> VarianceParameters:
    """Standard error of every absolute variance (and of the sensors' covariance), in the place of the variance.

    covariance: as from `variance_covariance`.
    """
    errors = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    sensor = np.array([[errors[1], errors[2]], [errors[2], errors[3]]])
    names = [c.name for c in space.classes]
    crossed = {name: float(error) for name, error in zip(names, errors[4:])}
    wander = float(errors[-1]) if space.brownian else 0.0
    return VarianceParameters(float(errors[0]), sensor, crossed, wander, space.returning * float(errors[0]))
