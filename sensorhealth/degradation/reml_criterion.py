"""The criterion of one data set in memory as a smooth function of the search's parameters."""

from __future__ import annotations

from functools import cached_property

import numpy as np

from sensorhealth.degradation.brownian import ClockNoise
from sensorhealth.degradation.elimination_columns import eliminate
from sensorhealth.degradation.elimination_sums import Sums, reduce_readings, reduce_wander
from sensorhealth.degradation.reml_data import FloatArray, Method, Penalty, VarianceParameters
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.degradation.reml_parameters import ParameterSpace, Relative
from sensorhealth.degradation.reml_penalty import penalty_terms
from sensorhealth.degradation.reml_score import Score, finish_score, score_sensors, tell_back
from sensorhealth.degradation.reml_solution import Solution, solve_effects
from sensorhealth.degradation.reml_wander import finish_wandering, score_wandering
from sensorhealth.degradation.returning import make_noise


class Evaluation:
    """Everything at one phi; derivatives are worked out when first asked for.

    known: the same at the same phi of the same layout, from which what does not depend on the residual variance is taken.
    """

    def __init__(self, criterion: Criterion, phi: FloatArray, relative: Relative, known: Evaluation | None = None) -> None:
        self.criterion, self.phi, self.relative = criterion, phi, relative
        if known is None:
            self.sums, self.noise = criterion.sums_at(relative.tau)
            d = relative.factor @ relative.factor.T
            self.eliminated = eliminate(criterion.layout, self.sums, d, relative.theta)
        else:
            self.sums, self.noise, self.eliminated = known.sums, known.noise, known.eliminated
        self.deviance, self.residual = criterion.deviance(self.eliminated, relative.residual)

    @cached_property
    def value(self) -> float:
        """Deviance with the penalty."""
        return self.deviance + (self._penalty[0] if self._penalty is not None else 0.0)

    @cached_property
    def _penalty(self) -> tuple[float, FloatArray, FloatArray] | None:
        return None if self.criterion.penalty is None else penalty_terms(self.criterion, self.phi)

    @cached_property
    def score(self) -> Score:
        """Derivatives and average information in the relative variances."""
        el = self.eliminated
        back = tell_back(el, self.criterion.method == "REML", self.criterion.variances)
        if self.noise is None:
            return finish_score(el, score_sensors(self.sums, back), back)
        return finish_wandering(el, score_wandering(self.sums, self.noise, back, el.v), back)

    @cached_property
    def _derivatives(self) -> tuple[FloatArray, FloatArray]:
        gradient, hessian = self.criterion.derivatives(self.phi, self.relative, self.score, self.eliminated, self.residual)
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

    def parameters(self) -> VarianceParameters:
        """Absolute variances."""
        return self.criterion.absolute(self.relative, self.residual)

    @cached_property
    def solution(self) -> Solution:
        return solve_effects(self.eliminated, self.sums)


class Criterion(ParameterSpace):
    """Maps phi to the deviance with derivatives; sums are kept while there is no wander."""

    def __init__(self, layout: Layout, method: Method, *, brownian: bool, penalty: Penalty | None = None) -> None:
        data = layout.data
        super().__init__(
            data.classes,
            data.random,
            method,
            readings=len(data.y),
            fixed=layout.fixed,
            brownian=brownian,
            penalty=penalty,
            returning=0.0 if data.returning is None else data.returning.share,
        )
        self.layout = layout
        self._known: Evaluation | None = None

    def learn(self, known: Evaluation) -> None:
        """Take an evaluation for what it is worth here: where it is one of the same layout it need not be made again."""
        if known.criterion.layout is self.layout and known.criterion.brownian == self.brownian:
            self._known = known
            if not self.brownian:
                self.white_sums = known.sums

    @cached_property
    def white_sums(self) -> Sums:
        """Sums without a wander."""
        return reduce_readings(self.layout)

    def sums_at(self, tau: float) -> tuple[Sums, ClockNoise | None]:
        """Sums and the noise at tau, None for white noise."""
        if not self.brownian:
            return self.white_sums, None
        assert self.layout.clock is not None
        noise = make_noise(self.layout.clock, self.layout.weights, tau, self.layout.data.returning)
        return reduce_wander(self.layout, noise), noise

    def at(self, parameters: VarianceParameters) -> Evaluation:
        """Evaluate at absolute variances, the residual variance included."""
        phi = self.phi(parameters)
        rel = self.relative(phi)
        return Evaluation(self, phi, Relative(rel.factor, rel.theta, rel.tau, parameters.residual))

    def __call__(self, phi: FloatArray) -> Evaluation:
        known = self._known
        if known is None or known.criterion.slope_first != self.slope_first or not np.array_equal(phi, known.phi):
            known = None
        return Evaluation(self, phi, self.relative(phi), known)
