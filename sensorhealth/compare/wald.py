"""Contrasts of fixed effects with small-sample errors and degrees of freedom, on a fitted crossed model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from sensorhealth.degradation.reml_data import VarianceParameters
from sensorhealth.degradation.reml_fit import CrossedFit

FloatArray = NDArray[np.float64]

PHI_STEP = 1e-4
FIRST_STEP, SECOND_STEP = 1e-3, 0.02
"""Steps of the differences: absolute in the search's parameters, relative in the variances."""
FEWEST_DEGREES = 1.0
LARGE = 200
"""Sensors above which the correction of Kenward and Roger is below one part in a thousand and is left out."""
ENOUGH = 2000
"""Sensors above which degrees of freedom no longer matter, unless a class of shared effects has few members."""
MANY_MEMBERS = 30
NEARLY_SINGULAR = 0.9
"""Correlation of level and slope beyond which second differences would leave the space of covariances."""


@dataclass(frozen=True)
class Wald:
    """k contrasts c'beta: estimate (k,), covariance (k, k), degrees (k,) of freedom of the t distribution of each."""

    estimate: FloatArray
    covariance: FloatArray
    degrees: FloatArray

    @property
    def error(self) -> FloatArray:
        """Standard errors (k,)."""
        return np.sqrt(np.maximum(np.diag(self.covariance), 0.0))

    def t(self, null: float = 0.0) -> FloatArray:
        """t statistics (k,) against the value `null`; 0 where the error vanishes."""
        return (self.estimate - null) / np.where(self.error > 0, self.error, np.inf)

    def p_value(self, null: float = 0.0) -> FloatArray:
        """Two-sided p values (k,)."""
        return np.asarray(2.0 * stats.t.sf(np.abs(self.t(null)), self.degrees), dtype=np.float64)

    def interval(self, level: float = 0.90) -> tuple[FloatArray, FloatArray]:
        """Ends (k,), (k,) of the two-sided intervals."""
        half = stats.t.ppf(0.5 + level / 2, self.degrees) * self.error
        return self.estimate - half, self.estimate + half


@dataclass(frozen=True)
class FixedEffects:
    """Fixed effects of a fit, kept so that any number of contrasts costs next to nothing.

    estimate (p,). covariance (p, p) as if the variances were known; adjusted (p, p): with the uncertainty of the variances.
    derivatives (m, p, p): of the covariance to the m variances; spread (m, m): covariance of their estimates. nu: residual
    degrees of freedom.
    """

    estimate: FloatArray
    covariance: FloatArray
    adjusted: FloatArray
    derivatives: FloatArray
    spread: FloatArray
    nu: float

    def contrasts(self, rows: FloatArray) -> Wald:
        """Contrasts (k, p) with the degrees of freedom of Satterthwaite, which for one contrast are Kenward and Roger's.

        df = 2 v^2 / Var(v) for v = Var(c'beta), and Var(v) by the delta method from the covariance of the variance
        parameters (average information). Source: Giesbrecht and Burns (1985), Biometrics 41:477-486; Fai and Cornelius
        (1996), J. Statist. Comput. Simul. 54:363-378; Kenward and Roger (1997), Biometrics 53:983-997.
        """
        rows = np.atleast_2d(np.asarray(rows, dtype=float))
        variance = np.maximum(np.einsum("kp,pq,kq->k", rows, self.covariance, rows), 1e-300)
        slope = np.einsum("kp,mpq,kq->km", rows, self.derivatives, rows) / variance[:, None]
        uncertainty = np.einsum("ka,ab,kb->k", slope, self.spread, slope)
        degrees = np.clip(2.0 / np.maximum(uncertainty, 1e-12), FEWEST_DEGREES, self.nu)
        return Wald(rows @ self.estimate, rows @ self.adjusted @ rows.T, degrees)


def fixed_effects(fit: CrossedFit, adjust: bool | None = None) -> FixedEffects:
    """What contrasts need of `fit`. adjust: the correction of Kenward and Roger; None: for fewer than LARGE sensors."""
    layout, p = fit.criterion.layout, fit.beta.size
    if layout.sensors >= ENOUGH and all(item.size >= MANY_MEMBERS for item in layout.data.classes):
        known = fit.beta_covariance
        return FixedEffects(fit.beta, known, known, np.zeros((0, p, p)), np.zeros((0, 0)), float(layout.sensors))
    variances = _Variances(fit)
    covariance, spread = fit.beta_covariance, variances.spread()
    steps = FIRST_STEP * variances.size
    derivatives = np.array([_difference(variances.covariance, variances.at, steps, k) for k in range(steps.size)])
    derivatives = derivatives.reshape(steps.size, *covariance.shape)
    wanted = fit.criterion.layout.sensors < LARGE if adjust is None else adjust
    adjusted = covariance
    if wanted and variances.regular:
        adjusted = covariance + 2.0 * _kenward_roger(variances, covariance, spread)
    return FixedEffects(fit.beta, covariance, adjusted, derivatives, spread, float(fit.criterion.nu))


class _Variances:
    """The variances of a fit as one vector: residual, D11, D12, D22, those of the crossed classes, wander."""

    def __init__(self, fit: CrossedFit) -> None:
        self.fit = fit
        self.names = list(fit.parameters.crossed)
        self.at = self.vector(fit.parameters)
        self.size = np.abs(self.at)
        self.size[2] = np.sqrt(self.at[1] * self.at[3])
        floor = 1e-6 * self.at[0]
        self.size[(self.at < floor) & (np.arange(self.at.size) != 2)] = 0.0
        self.size[2] *= float(min(self.at[1], self.at[3]) > floor)
        self.regular = bool(self.at[2] ** 2 <= NEARLY_SINGULAR**2 * self.at[1] * self.at[3])

    def vector(self, p: VarianceParameters) -> FloatArray:
        own = [p.residual, p.sensor[0, 0], p.sensor[0, 1], p.sensor[1, 1]]
        return np.array([*own, *(p.crossed[name] for name in self.names), p.brownian])

    def covariance(self, values: FloatArray) -> FloatArray:
        """Covariance (p, p) of the fixed effects at other variances."""
        residual, level, both, slope = values[:4]
        crossed = dict(zip(self.names, values[4:-1].tolist()))
        sensor = np.array([[level, both], [both, slope]])
        found = self.fit.criterion.at(VarianceParameters(float(residual), sensor, crossed, float(values[-1])))
        return CrossedFit(self.fit.criterion, found, True, 1, "").beta_covariance

    def spread(self) -> FloatArray:
        """Covariance (m, m) of the estimated variances: that of the search's parameters carried over along the profile.

        Where the residual variance is profiled out, all variances scale with it, and its own error, 2 / nu relative, is
        added.
        """
        fit, phi = self.fit, self.fit.phi
        jacobian = np.zeros((self.at.size, phi.size))
        for k in range(phi.size):
            jacobian[:, k] = _difference(self._along, phi, np.full(phi.size, PHI_STEP), k)
        out = jacobian @ fit.parameter_covariance @ jacobian.T
        if fit.criterion.profiled:
            out = out + 2.0 / fit.criterion.nu * np.outer(self.at, self.at)
        free = (self.size > 0).astype(float)
        return out * np.outer(free, free)

    def _along(self, phi: FloatArray) -> FloatArray:
        return self.vector(CrossedFit(self.fit.criterion, self.fit.criterion(phi), True, 1, "").parameters)


def _difference(function: Callable[[FloatArray], FloatArray], at: FloatArray, steps: FloatArray, k: int) -> FloatArray:
    """Central difference of `function` to entry k; zero where its step is."""
    if steps[k] == 0:
        return np.zeros_like(function(at))
    move = np.zeros_like(at)
    move[k] = steps[k]
    return np.asarray((function(at + move) - function(at - move)) / (2.0 * steps[k]), dtype=np.float64)


def _kenward_roger(variances: _Variances, covariance: FloatArray, spread: FloatArray) -> FloatArray:
    """Lambda = Phi (sum W_ij (Q_ij - P_i Phi P_j)) Phi for variances that enter V linearly.

    With M = X'V^-1X = Phi^-1: P_i = dM / dtheta_i and Q_ij + Q_ji = d2M / dtheta_i dtheta_j, both by differences. Source:
    Kenward and Roger (1997), Biometrics 53:983-997, eq. 5 with R = 0.
    """
    steps = SECOND_STEP * variances.size
    active = np.flatnonzero(steps)

    def information(move: FloatArray) -> FloatArray:
        return np.asarray(np.linalg.inv(variances.covariance(variances.at + move)), dtype=np.float64)

    centre = np.linalg.inv(covariance)
    unit = np.diag(steps)
    up = {int(k): information(unit[k]) for k in active}
    down = {int(k): information(-unit[k]) for k in active}
    total = np.zeros_like(covariance)
    for i in active:
        p_i = (up[int(i)] - down[int(i)]) / (2.0 * steps[i])
        for j in active[active <= i]:
            p_j = (up[int(j)] - down[int(j)]) / (2.0 * steps[j])
            if i == j:
                second = (up[int(i)] - 2.0 * centre + down[int(i)]) / steps[i] ** 2
            else:
                corners = information(unit[i] + unit[j]) + information(-unit[i] - unit[j])
                edges = up[int(i)] + up[int(j)] + down[int(i)] + down[int(j)]
                second = (corners - edges + 2.0 * centre) / (2.0 * steps[i] * steps[j])
            cross = p_i @ covariance @ p_j
            term = spread[i, j] * (0.5 * second - 0.5 * (cross + cross.T))
            total += term if i == j else 2.0 * term
    out = covariance @ total @ covariance
    return 0.5 * (out + out.T)
