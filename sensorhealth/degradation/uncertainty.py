"""What is not known of the variances themselves: draws around their penalised mode, importance weighted.

In small fleets forecasts at the estimated variances are too sure of themselves. The draws come from a Student-t with six
degrees of freedom at the mode of the penalised criterion and with its curvature, and carry as weight the ratio of the
criterion to the proposal (importance sampling; Geweke 1989, Econometrica 57:1317-1339).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import special, stats

from sensorhealth.degradation import reml
from sensorhealth.degradation.design import FloatArray
from sensorhealth.degradation.fitting import CurveFit

TAILS = 6.0


def _normals(count: int, size: int, seed: int) -> tuple[FloatArray, FloatArray]:
    """Standard normal points (count, size) and chi-square factors (count,) spread evenly (scrambled Sobol points)."""
    power = int(np.ceil(np.log2(max(count, 2))))
    points = stats.qmc.Sobol(size + 1, seed=np.random.default_rng(seed)).random_base2(power)[:count]
    points = np.clip(points, 1e-9, 1.0 - 1e-9)
    chi = special.chdtri(TAILS, points[:, size]) / TAILS
    return special.ndtri(points[:, :size]), np.asarray(chi, dtype=float)


def variance_draws(fitted: CurveFit, count: int, seed: int) -> list[tuple[CurveFit, float]]:
    """`count` versions of a fit at other variances, with weights that add up to 1; the fit itself where none can be had."""
    search = fitted.search
    if search is None or not len(search.phi):
        return [(fitted, 1.0)]
    criterion, mode, size = search.criterion, search.phi, len(search.phi)
    root = np.linalg.cholesky(search.parameter_covariance + 1e-14 * np.eye(size))
    normal, chi = _normals(count, size, seed)
    steps = normal / np.sqrt(chi)[:, None]
    found: list[tuple[reml.CrossedFit, float]] = []
    for step in steps:
        try:
            evaluation = criterion(mode + root @ step)
        except np.linalg.LinAlgError:
            continue
        proposal = -0.5 * (TAILS + size) * np.log1p(step @ step / TAILS)
        score = -0.5 * evaluation.value - proposal
        found.append((reml.CrossedFit(criterion, evaluation, True, 1, "drawn"), float(score)))
    weight = np.exp(np.array([score for _, score in found]) - max(score for _, score in found))
    weight /= weight.sum()
    kept = weight > 0.1 / count
    weight = np.where(kept, weight, 0.0) / weight[kept].sum()
    return [(replace(fitted, fit=fit), float(share)) for (fit, _), share in zip(found, weight) if share > 0.0]
