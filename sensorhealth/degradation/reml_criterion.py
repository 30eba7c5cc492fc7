"""The criterion as a smooth function of parameters that may take any real value.

phi = (l11, l21, l22 of D = L L', then t_k = sqrt(theta_k) of each class to be estimated, then sqrt(tau), then ln s2 if
some class has a fixed absolute variance), all relative to the residual variance s2, which is profiled out otherwise.
Taking roots and not logarithms makes zero variances ordinary stationary points; entries not in the model are left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination import Eliminated, eliminate
from sensorhealth.degradation.elimination_sums import Sums, reduce_readings, reduce_wander
from sensorhealth.degradation.reml_data import FloatArray, Method, Penalty, VarianceParameters, crossed_variances
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.degradation.reml_penalty import penalty_terms
from sensorhealth.degradation.reml_score import score_of
from sensorhealth.degradation.reml_solution import Solution, solve_effects
from sensorhealth.degradation.reml_wander import score_with_wander


@dataclass(frozen=True)
class Relative:
    """Variances relative to the residual variance, and that variance itself (None: profiled)."""

    factor: FloatArray  # (2, 2) lower L
    theta: FloatArray  # (K,)
    tau: float
    residual: float | None


class Evaluation:
    """Everything at one phi; derivatives are worked out when first asked for."""

    def __init__(self, criterion: Criterion, phi: FloatArray, relative: Relative) -> None:
        self.criterion, self.phi, self.relative = criterion, phi, relative
        sums, self.d_sums, self.noise = criterion.sums_at(relative.tau)
        d = relative.factor @ relative.factor.T
        self.eliminated = eliminate(criterion.layout, sums, d, relative.theta)
        self.deviance, self.residual = criterion.deviance(self.eliminated, relative.residual)

    @cached_property
    def value(self) -> float:
        """Deviance with the penalty."""
        return self.deviance + (self._penalty[0] if self._penalty is not None else 0.0)

    @cached_property
    def _penalty(self) -> tuple[float, FloatArray, FloatArray] | None:
        return None if self.criterion.penalty is None else penalty_terms(self.criterion, self.phi)

    @cached_property
    def _derivatives(self) -> tuple[FloatArray, FloatArray]:
        el, reml = self.eliminated, self.criterion.method == "REML"
        if self.noise is None or self.d_sums is None:
            score = score_of(el, reml)
        else:
            score = score_with_wander(el, self.d_sums, self.noise, reml)
        s2 = self.residual
        base = score.trace - score.quadratic / s2
        gradient, hessian = self.criterion.chain(
            self.phi, self.relative, base, score.information(el.beta_root) / s2, score.quadratic / s2, el.rss / s2
        )
        if self._penalty is not None:
            gradient, hessian = gradient + self._penalty[1], hessian + self._penalty[2]
        return gradient, hessian

    @property
    def gradient(self) -> FloatArray:
        return self._derivatives[0]

    @property
    def hessian(self) -> FloatArray:
        """Average information with the exact second-order terms of the parametrisation, and the penalty's curvature."""
        return self._derivatives[1]

    @cached_property
    def solution(self) -> Solution:
        return solve_effects(self.eliminated)


class Criterion:
    """Maps phi to the deviance with derivatives for one data set; sums are kept while tau stays zero."""

    def __init__(self, layout: Layout, method: Method, *, brownian: bool, penalty: Penalty | None = None) -> None:
        self.layout, self.method, self.brownian, self.penalty = layout, method, brownian, penalty
        data = layout.data
        self.free_factor = {"intercept+slope": [0, 1, 2], "intercept": [0], "slope": [2], "none": []}[data.random]
        self.free_class = [k for k, c in enumerate(data.classes) if c.fixed_variance is None]
        self.fixed_class = [k for k, c in enumerate(data.classes) if c.fixed_variance is not None]
        self.profiled = not self.fixed_class
        self.nu = len(data.y) - (layout.fixed if method == "REML" else 0)

    def relative(self, phi: FloatArray) -> Relative:
        """Read phi."""
        l3 = np.zeros(3)
        l3[self.free_factor] = phi[: len(self.free_factor)]
        at = len(self.free_factor)
        theta = np.zeros(len(self.layout.data.classes))
        theta[self.free_class] = phi[at : at + len(self.free_class)] ** 2
        at += len(self.free_class)
        tau = float(phi[at] ** 2) if self.brownian else 0.0
        residual = None if self.profiled else float(np.exp(phi[-1]))
        for k in self.fixed_class:
            theta[k] = self.layout.data.classes[k].fixed_variance / residual  # type: ignore[operator]
        return Relative(np.array([[l3[0], 0.0], [l3[1], l3[2]]]), theta, tau, residual)

    def phi(self, parameters: VarianceParameters) -> FloatArray:
        """Write absolute variances as phi."""
        s2 = parameters.residual
        d = parameters.sensor / s2
        l11 = np.sqrt(max(d[0, 0], 0.0))
        l21 = d[0, 1] / l11 if l11 > 0 else 0.0
        l3 = np.array([l11, l21, np.sqrt(max(d[1, 1] - l21 * l21, 0.0))])
        theta = crossed_variances(self.layout.data, parameters.crossed) / s2
        out = [l3[self.free_factor], np.sqrt(theta[self.free_class])]
        if self.brownian:
            out.append(np.array([np.sqrt(parameters.brownian / s2)]))
        if not self.profiled:
            out.append(np.array([np.log(s2)]))
        return np.concatenate(out)

    def parameters(self, evaluation: Evaluation) -> VarianceParameters:
        """Absolute variances at an evaluation."""
        rel, s2 = evaluation.relative, evaluation.residual
        crossed = {c.name: float(rel.theta[k] * s2) for k, c in enumerate(self.layout.data.classes)}
        return VarianceParameters(s2, s2 * rel.factor @ rel.factor.T, crossed, rel.tau * s2)

    @cached_property
    def white_sums(self) -> Sums:
        """Sums without a wander."""
        return reduce_readings(self.layout)

    def sums_at(self, tau: float) -> tuple[Sums, Sums | None, ClockNoise | None]:
        """Sums, their derivatives and the noise at tau."""
        if not self.brownian:
            return self.white_sums, None, None
        assert self.layout.clock is not None
        noise = ClockNoise(self.layout.clock, self.layout.weights, tau)
        return *reduce_wander(self.layout, noise), noise

    def deviance(self, eliminated: Eliminated, residual: float | None) -> tuple[float, float]:
        """-2 log (restricted) likelihood and the residual variance used."""
        s2 = eliminated.rss / self.nu if residual is None else residual
        value = self.nu * np.log(2 * np.pi * s2) + eliminated.rss / s2 + eliminated.log_det
        return float(value + (eliminated.log_det_x if self.method == "REML" else 0.0)), s2

    def at(self, parameters: VarianceParameters) -> Evaluation:
        """Evaluate at absolute variances, the residual variance included."""
        phi = self.phi(parameters)
        rel = self.relative(phi)
        return Evaluation(self, phi, Relative(rel.factor, rel.theta, rel.tau, parameters.residual))

    def __call__(self, phi: FloatArray) -> Evaluation:
        return Evaluation(self, phi, self.relative(phi))

    def jacobian(self, phi: FloatArray, relative: Relative) -> FloatArray:
        """Derivatives of (D11, D12, D22, theta, tau, ln s2) to phi."""
        n_class = len(self.layout.data.classes)
        m = 4 + n_class + int(self.brownian)
        l11, l21, l22 = relative.factor[0, 0], relative.factor[1, 0], relative.factor[1, 1]
        full = np.zeros((m, 3))
        full[0, 0], full[1, 0], full[1, 1], full[2, 1], full[2, 2] = 2 * l11, l21, l11, 2 * l21, 2 * l22
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

    def chain(
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
        d2 = {0: 2 * base[0], 1: 2 * base[2], 2: 2 * base[2]}
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
