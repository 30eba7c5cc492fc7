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
from sensorhealth.degradation.reml_data import VarianceParameters

TAILS = 6.0
LEAST_SHARE = 0.5  # of what a draw would weigh were all alike, below which it is left out: quantiles move by less than half a
# per cent of their spread, those of other draws altogether by two


def _points(count: int, size: int, seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points spread evenly (scrambled Sobol): Student-t steps (count, size), their squared lengths, uniforms (count,)."""
    power = int(np.ceil(np.log2(max(count, 2))))
    points = stats.qmc.Sobol(size + 2, seed=np.random.default_rng(seed)).random_base2(power)[:count]
    points = np.clip(points, 1e-9, 1.0 - 1e-9)
    chi = special.chdtri(TAILS, points[:, size]) / TAILS
    steps = np.asarray(special.ndtri(points[:, :size]) / np.sqrt(chi)[:, None], dtype=float)
    return steps, (steps**2).sum(axis=1), points[:, size + 1]


def variance_draws(fitted: CurveFit, count: int, seed: int) -> list[tuple[CurveFit, float]]:
    """`count` versions of a fit at other variances, with weights that add up to 1; the fit itself where none can be had."""
    search = fitted.search
    if search is None or not len(search.phi):
        return [(fitted, 1.0)]
    criterion, mode, size = search.criterion, search.phi, len(search.phi)
    root = np.linalg.cholesky(search.parameter_covariance + 1e-14 * np.eye(size))
    profiled = all(item.fixed_variance is None for item in fitted.base.classes)
    steps, squares, uniforms = _points(count, size, seed)
    counted = fitted.layout.data.y.size - fitted.layout.fixed
    found: list[tuple[VarianceParameters, float]] = []
    for step, square, uniform in zip(steps, squares, uniforms):
        try:
            evaluation = criterion(mode + root @ step)
            score = -0.5 * evaluation.value + 0.5 * (TAILS + size) * np.log1p(square / TAILS)
        except np.linalg.LinAlgError:
            continue
        drawn = reml.CrossedFit(criterion, evaluation, True, 1, "drawn")
        scale = counted / float(special.chdtri(counted, uniform)) if profiled else 1.0
        found.append((_scaled(drawn.parameters, scale), float(score)))
    weight = np.exp(np.array([score for _, score in found]) - max(score for _, score in found))
    weight /= weight.sum()
    kept = weight > LEAST_SHARE / count
    weight = np.where(kept, weight, 0.0) / weight[kept].sum()
    return [
        (replace(fitted, fit=reml.solve(fitted.layout, parameters, criterion.method)), float(share))
        for (parameters, _), share in zip(found, weight)
        if share > 0.0
    ]


def _scaled(parameters: VarianceParameters, scale: float) -> VarianceParameters:
    """All variances times `scale`: given their ratios, the residual variance itself is scaled inverse chi-square."""
    crossed = {name: scale * value for name, value in parameters.crossed.items()}
    wander = scale * parameters.brownian, scale * parameters.returning
    return VarianceParameters(scale * parameters.residual, scale * parameters.sensor, crossed, *wander)
