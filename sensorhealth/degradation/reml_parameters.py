"""The search's parameters: any real numbers, for variances that must not be negative.

phi = (l11, l21, l22 of D = L L' with L lower, then t_k = sqrt(theta_k) of each class to be estimated, then
sqrt(tau), then ln s2 if some class has a fixed absolute variance), all relative to the residual variance s2, which is
profiled out otherwise.
Taking roots and not logarithms makes zero variances ordinary stationary points; entries not in the model are left out.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass
from typing import Self

import numpy as np

from sensorhealth.degradation.elimination_columns import Eliminated
from sensorhealth.degradation.reml_data import (
    CrossedClass,
    FloatArray,
    Method,
    Penalty,
    RandomEffects,
    VarianceParameters,
    crossed_variances,
)
from sensorhealth.degradation.reml_score import Score


@dataclass(frozen=True)
class Relative:
    """Variances relative to the residual variance, and that variance itself (None: profiled)."""

    factor: FloatArray  # (2, 2) L with D = L L'
    theta: FloatArray  # (K,)
    tau: float
    residual: float | None


class ParameterSpace:
    """Maps phi to variances and carries derivatives back."""

    def __init__(
        self,
        classes: tuple[CrossedClass, ...],
        random: RandomEffects,
        method: Method,
        *,
        readings: int,
        fixed: int,
        brownian: bool,
        penalty: Penalty | None,
        returning: float = 0.0,
    ) -> None:
        self.classes, self.random, self.method, self.brownian, self.penalty = classes, random, method, brownian, penalty
        self.free_factor = {"intercept+slope": [0, 1, 2], "intercept": [0], "slope": [2], "none": []}[random]
        self.free_class = [k for k, c in enumerate(classes) if c.fixed_variance is None]
        self.fixed_class = [k for k, c in enumerate(classes) if c.fixed_variance is not None]
        self.profiled = not self.fixed_class
        self.slope_first = False
        self.returning = returning  # variance of the wander that comes back, in residual variances
        self.nu = readings - (fixed if method == "REML" else 0)

    def flipped(self) -> Self:
        """The same space with D factored from the slope instead of the level: D22 = l11^2, D12 = l11 l21, and so on.

        A factor that begins with a variance near zero leaves a curved valley; beginning with the other one does not.
        """
        out = copy.copy(self)
        out.slope_first = not self.slope_first
        return out

    @property
    def variances(self) -> int:
        """Relative variances whose derivatives are taken: D11, D12, D22, theta of every class, tau."""
        return 3 + len(self.classes) + int(self.brownian)

    def relative(self, phi: FloatArray) -> Relative:
        """Read phi."""
        l3 = np.zeros(3)
        l3[self.free_factor] = phi[: len(self.free_factor)]
        at = len(self.free_factor)
        theta = np.zeros(len(self.classes))
        theta[self.free_class] = phi[at : at + len(self.free_class)] ** 2
        at += len(self.free_class)
        tau = float(phi[at] ** 2) if self.brownian else 0.0
        residual = None if self.profiled else float(np.exp(phi[-1]))
        for k in self.fixed_class:
            theta[k] = self.classes[k].fixed_variance / residual  # type: ignore[operator]
        factor = np.array([[l3[0], 0.0], [l3[1], l3[2]]])
        return Relative(factor[::-1] if self.slope_first else factor, theta, tau, residual)

    def phi(self, parameters: VarianceParameters) -> FloatArray:
        """Write absolute variances as phi."""
        s2 = parameters.residual
        d = parameters.sensor / s2
        d = d[::-1, ::-1] if self.slope_first else d
        l11 = np.sqrt(max(d[0, 0], 0.0))
        l21 = d[0, 1] / l11 if l11 > 0 else 0.0
        l3 = np.array([l11, l21, np.sqrt(max(d[1, 1] - l21 * l21, 0.0))])
        theta = crossed_variances(self.classes, parameters.crossed) / s2
        out = [l3[self.free_factor], np.sqrt(theta[self.free_class])]
        if self.brownian:
            out.append(np.array([np.sqrt(parameters.brownian / s2)]))
        if not self.profiled:
            out.append(np.array([np.log(s2)]))
        return np.concatenate(out)

    def absolute(self, relative: Relative, residual: float) -> VarianceParameters:
        """Absolute variances."""
        crossed = {c.name: float(relative.theta[k] * residual) for k, c in enumerate(self.classes)}
        sensor = residual * relative.factor @ relative.factor.T
        return VarianceParameters(residual, sensor, crossed, relative.tau * residual, self.returning * residual)

    def deviance(self, eliminated: Eliminated, residual: float | None) -> tuple[float, float]:
        """-2 log (restricted) likelihood and the residual variance used; infinite where no digit is left of that variance."""
        s2 = eliminated.rss / self.nu if residual is None else residual
        if s2 <= 0.0:  # a trial so far out that all is taken for path, gas and sessions
            return np.inf, s2
        value = self.nu * np.log(2 * np.pi * s2) + eliminated.rss / s2 + eliminated.log_det
        return float(value + (eliminated.log_det_x if self.method == "REML" else 0.0)), s2

    def derivatives(
        self, phi: FloatArray, relative: Relative, score: Score, el: Eliminated, s2: float
    ) -> tuple[FloatArray, FloatArray]:
        """Gradient and curvature of the deviance in phi."""
        base, h = score.trace - score.quadratic / s2, score.quadratic / s2
        return self._chain(phi, relative, base, score.information(el.beta_root) / s2, h, el.rss / s2)

    def jacobian(self, phi: FloatArray, relative: Relative) -> FloatArray:
        """Derivatives of (D11, D12, D22, theta, tau, ln s2) to phi."""
        n_class = len(self.classes)
        m = 4 + n_class + int(self.brownian)
        (l11, _), (l21, l22) = relative.factor[::-1] if self.slope_first else relative.factor
        full = np.zeros((m, 3))
        full[0, 0], full[1, 0], full[1, 1], full[2, 1], full[2, 2] = 2 * l11, l21, l11, 2 * l21, 2 * l22
        if self.slope_first:
            full[[0, 2]] = full[[2, 0]]
        jac = np.zeros((m, len(phi)))
        at = len(self.free_factor)
        jac[:, :at] = full[:, self.free_factor]
        for k in self.free_class:
            jac[3 + k, at] = 2 * phi[at]
            at += 1
        if self.brownian:
            jac[3 + n_class, at] = 2 * phi[at]
            at += 1
        if not self.profiled:
            jac[-1, at] = 1.0
            for k in self.fixed_class:
                jac[3 + k, at] = -relative.theta[k]
        return jac

    def _chain(
        self, phi: FloatArray, relative: Relative, base: FloatArray, information: FloatArray, h: FloatArray, rss: float
    ) -> tuple[FloatArray, FloatArray]:
        """Gradient and curvature in phi: average information plus the exact second-order term of the chain rule."""
        jac = self.jacobian(phi, relative)
        grad = np.append(base, self.nu - rss)
        info = np.block([[information, h[:, None]], [h[None, :], np.array([[rss]])]])
        if self.profiled:
            info = info - np.outer(info[:, -1], info[-1]) / rss
        hessian = jac.T @ info @ jac
        second = np.zeros(len(phi))
        first, last = (base[2], base[0]) if self.slope_first else (base[0], base[2])
        d2 = {0: 2 * first, 1: 2 * last, 2: 2 * last}
        at = len(self.free_factor)
        second[:at] = [d2[k] for k in self.free_factor]
        for k in self.free_class:
            second[at] = 2 * base[3 + k]
            at += 1
        if self.brownian:
            second[at] = 2 * base[-1]
        hessian[np.diag_indices(len(phi))] += second
        if self.free_factor == [0, 1, 2]:
            hessian[0, 1] += base[1]
            hessian[1, 0] += base[1]
        if not self.profiled:
            hessian[-1, -1] += sum(relative.theta[k] * base[3 + k] for k in self.fixed_class)
        return jac.T @ grad, hessian
