"""Contrasts of fixed effects with small-sample degrees of freedom, on a fitted crossed model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from sensorhealth.degradation.elimination import eliminate
from sensorhealth.degradation.reml_fit import CrossedFit

FloatArray = NDArray[np.float64]

STEP = 1e-3
"""Step of the central differences in the search's parameters (relative standard deviations)."""
FEWEST_DEGREES = 1.0


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
        return np.asarray(2.0 * stats.t.sf(np.abs(self.t(null)), self.degrees))

    def interval(self, level: float = 0.90) -> tuple[FloatArray, FloatArray]:
        """Ends (k,), (k,) of the two-sided intervals."""
        half = stats.t.ppf(0.5 + level / 2, self.degrees) * self.error
        return self.estimate - half, self.estimate + half


@dataclass(frozen=True)
class FixedEffects:
    """Fixed effects of a fit, kept so that any number of contrasts costs next to nothing.

    estimate (p,), covariance (p, p). derivatives (m, p, p): of the covariance to the m variance parameters, along the
    profile where the residual variance is profiled out; parameter_covariance (m, m). nu: residual degrees of freedom;
    profiled: whether the residual variance is one of the m.
    """

    estimate: FloatArray
    covariance: FloatArray
    derivatives: FloatArray
    parameter_covariance: FloatArray
    nu: float
    profiled: bool

    def contrasts(self, rows: FloatArray) -> Wald:
        """Contrasts (k, p) with Satterthwaite's degrees of freedom.

        df = 2 v^2 / Var(v) for v = Var(c'beta), and Var(v) by the delta method from the covariance of the variance
        parameters (average information). With the residual variance profiled out, ln v has the variance of ln v along
        the profile plus 2 / nu. Source: Giesbrecht and Burns (1985), Biometrics 41:477-486; Fai and Cornelius (1996),
        J. Statist. Comput. Simul. 54:363-378.
        """
        rows = np.atleast_2d(np.asarray(rows, dtype=float))
        covariance = rows @ self.covariance @ rows.T
        variance = np.maximum(np.diag(covariance), 1e-300)
        slope = np.einsum("kp,mpq,kq->km", rows, self.derivatives, rows) / variance[:, None]
        spread = np.einsum("ka,ab,kb->k", slope, self.parameter_covariance, slope) + (2.0 / self.nu if self.profiled else 0.0)
        degrees = np.clip(2.0 / np.maximum(spread, 1e-12), FEWEST_DEGREES, self.nu)
        return Wald(rows @ self.estimate, covariance, degrees)


def fixed_effects(fit: CrossedFit) -> FixedEffects:
    """What contrasts need of `fit`; the derivatives by central differences."""
    phi = fit.phi
    found = np.zeros((phi.size, fit.beta.size, fit.beta.size))
    for at in range(phi.size):
        step = STEP * max(abs(float(phi[at])), 0.1)
        up, down = phi.copy(), phi.copy()
        up[at] += step
        down[at] -= step
        found[at] = (_covariance(fit, up) - _covariance(fit, down)) / (2 * step)
    criterion = fit.criterion
    return FixedEffects(fit.beta, fit.beta_covariance, found, fit.parameter_covariance, float(criterion.nu), criterion.profiled)


def _covariance(fit: CrossedFit, phi: FloatArray) -> FloatArray:
    """Covariance (p, p) of the fixed effects at other variance parameters."""
    criterion = fit.criterion
    relative = criterion.relative(phi)
    sums = criterion.sums_at(relative.tau)[0]
    found = eliminate(criterion.layout, sums, relative.factor @ relative.factor.T, relative.theta)
    residual = criterion.deviance(found, relative.residual)[1]
    return residual * found.beta_root.T @ found.beta_root
