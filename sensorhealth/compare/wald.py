"""Contrasts of fixed effects with small-sample errors and degrees of freedom, on a fitted crossed model."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from sensorhealth.degradation.reml_fit import CrossedFit
from sensorhealth.degradation.reml_inverse import Covariance

FloatArray = NDArray[np.float64]

FEWEST_DEGREES = 1.0
LARGE = 200
"""Sensors above which the correction of Kenward and Roger is below one part in a thousand and is left out."""
ENOUGH = 2000
"""Sensors above which degrees of freedom no longer matter, unless a class of shared effects has few members."""
MANY_MEMBERS = 30
NEARLY_SINGULAR = 0.9
"""Correlation of level and slope beyond which they lie too near the edge of what is possible for the correction to hold."""
LEAST_VARIANCE = 1e-6
"""Part of the residual variance below which a variance counts as absent."""


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
    at = fit.variances
    present = at >= LEAST_VARIANCE * at[0]
    present[2] = present[1] and present[3]
    spread = fit.variance_covariance * np.outer(present, present)
    regular = at[2] ** 2 <= NEARLY_SINGULAR**2 * at[1] * at[3]
    wanted = regular and (layout.sensors < LARGE if adjust is None else adjust)
    inverse = Covariance(fit.evaluation)
    solved = inverse.solve(layout.data.x)
    parts = inverse.parts(solved)
    slopes = np.array([solved.T @ part for part in parts])  # of -X'V^-1X
    known = fit.beta_covariance
    adjusted = known + 2.0 * _kenward_roger(inverse, parts, slopes, known, spread) if wanted else known
    return FixedEffects(fit.beta, known, adjusted, known @ slopes @ known, spread, float(fit.criterion.nu))


def _kenward_roger(
    inverse: Covariance, parts: list[FloatArray], slopes: FloatArray, known: FloatArray, spread: FloatArray
) -> FloatArray:
    """Lambda = Phi (sum W_ij (Q_ij - P_i Phi P_j)) Phi for variances that enter V linearly.

    Phi: `known` (p, p); parts: V_i V^-1X (N, p) with V_i the derivatives of V; P_i = -X'V^-1 V_i V^-1X, of which `slopes`
    are the negatives; Q_ij = X'V^-1 V_i V^-1 V_j V^-1X; W: `spread`. Source: Kenward and Roger (1997), Biometrics
    53:983-997, eq. 5 with R = 0.
    """
    active = np.flatnonzero(np.diag(spread) > 0)
    total = np.zeros_like(known)
    for i in active:
        beside = inverse.solve(parts[i])
        for j in active:
            total += spread[i, j] * (parts[j].T @ beside - slopes[j] @ known @ slopes[i])
    out = known @ total @ known
    return np.asarray(0.5 * (out + out.T))
