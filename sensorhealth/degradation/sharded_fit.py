"""REML over shards: the driver's side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from sensorhealth.degradation.elimination_columns import Eliminated, solve_all
from sensorhealth.degradation.reml_data import CrossedData, FloatArray, Method, Penalty, VarianceParameters
from sensorhealth.degradation.reml_errors import covariance_of, variance_covariance, variance_errors
from sensorhealth.degradation.reml_layout import Layout
from sensorhealth.degradation.reml_parameters import ParameterSpace, Relative
from sensorhealth.degradation.reml_penalty import penalty_terms
from sensorhealth.degradation.reml_score import Score, finish_score, tell_back
from sensorhealth.degradation.reml_search import lift, search
from sensorhealth.degradation.reml_start import start_parameters
from sensorhealth.degradation.reml_wander import WanderPass, finish_wandering
from sensorhealth.degradation.sharded import (
    InTurn,
    Shard,
    Survey,
    Workers,
    borders,
    driver_layout,
    first_pass,
    make_plan,
    second_pass,
    sensor_effects,
    start_moments,
    survey,
)

TOLERANCE = 1e-12


class ShardEvaluation:
    """Everything at one phi; derivatives are asked from the shards when first needed."""

    def __init__(self, criterion: ShardCriterion, phi: FloatArray) -> None:
        self.criterion, self.phi = criterion, phi
        self.relative: Relative = criterion.relative(phi)
        self.d = self.relative.factor @ self.relative.factor.T
        first = criterion.workers.total(first_pass, self.d, self.relative.tau)
        self.eliminated: Eliminated = solve_all(criterion.layout, first, self.d, self.relative.theta)
        self.deviance, self.residual = criterion.deviance(self.eliminated, self.relative.residual)

    @cached_property
    def _penalty(self) -> tuple[float, FloatArray, FloatArray] | None:
        return None if self.criterion.penalty is None else penalty_terms(self.criterion, self.phi)

    @cached_property
    def value(self) -> float:
        return self.deviance + (self._penalty[0] if self._penalty is not None else 0.0)

    @cached_property
    def score(self) -> Score:
        """Derivatives and average information in the relative variances."""
        criterion, el = self.criterion, self.eliminated
        back = tell_back(el, criterion.method == "REML", criterion.variances)
        part = criterion.workers.total(second_pass, back, self.relative.tau, el.v)
        return finish_wandering(el, part, back) if isinstance(part, WanderPass) else finish_score(el, part, back)

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
        return self._derivatives[1]

    def parameters(self) -> VarianceParameters:
        """Absolute variances."""
        return self.criterion.absolute(self.relative, self.residual)


class ShardCriterion(ParameterSpace):
    """The criterion of data that lie in shards."""

    def __init__(
        self,
        layout: Layout,
        workers: Workers,
        readings: int,
        method: Method,
        *,
        brownian: bool,
        penalty: Penalty | None,
    ) -> None:
        data = layout.data
        super().__init__(
            data.classes,
            data.random,
            method,
            readings=readings,
            fixed=layout.fixed,
            brownian=brownian,
            penalty=penalty,
        )
        self.layout, self.workers = layout, workers

    def __call__(self, phi: FloatArray) -> ShardEvaluation:
        return ShardEvaluation(self, phi)


@dataclass(frozen=True)
class ShardedFit:
    """Estimates over all shards; the sensors' own stay with the shards until asked for."""

    criterion: ShardCriterion
    evaluation: ShardEvaluation
    readings: int
    sensors: int
    converged: bool
    evaluations: int

    @property
    def parameters(self) -> VarianceParameters:
        return self.evaluation.parameters()

    @property
    def phi(self) -> FloatArray:
        return self.evaluation.phi

    @cached_property
    def parameter_covariance(self) -> FloatArray:
        """Covariance of phi (average information)."""
        return covariance_of(self.evaluation.hessian)

    @cached_property
    def parameter_errors(self) -> VarianceParameters:
        """Standard errors of the variances, in their places."""
        at = self.evaluation
        covariance = variance_covariance(
            self.criterion, at.phi, at.relative, at.residual, at.eliminated.rss, at.score, self.parameter_covariance
        )
        return variance_errors(self.criterion, covariance)

    @property
    def deviance(self) -> float:
        """-2 log (restricted) likelihood, penalty not counted."""
        return self.evaluation.deviance

    @property
    def beta(self) -> FloatArray:
        """Fixed effects (p,)."""
        return self.criterion.layout.start + self.evaluation.eliminated.beta

    @property
    def beta_covariance(self) -> FloatArray:
        root = self.evaluation.eliminated.beta_root
        return self.evaluation.residual * root.T @ root

    @cached_property
    def crossed(self) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Mean and prediction error variance (each (size,)) of every class's effects, in the units of y."""
        layout, el = self.criterion.layout, self.evaluation.eliminated
        fixed = el.e[:, : layout.fixed] @ el.beta_root.T
        variance = self.evaluation.residual * (el.theta_diagonal + (fixed * fixed).sum(1)) * layout.scale**2
        mean, cut = el.v * layout.scale, layout.first_column
        return {c.name: (mean[cut[k] : cut[k + 1]], variance[cut[k] : cut[k + 1]]) for k, c in enumerate(layout.data.classes)}

    def sensor_effects(self) -> list[tuple[FloatArray, FloatArray]]:
        """Per shard: deviations (n, 2) of its sensors and their prediction error covariance (n, 2, 2)."""
        at = self.evaluation
        return self.criterion.workers.each(sensor_effects, at.eliminated, at.relative.tau, at.residual)


def fit_workers(
    workers: Workers,
    found: Survey,
    layout: Layout,
    *,
    method: Method = "REML",
    brownian: bool = False,
    penalty: Penalty | None = None,
    start: VarianceParameters | None = None,
    max_evaluations: int = 100,
    tolerance: float = TOLERANCE,
) -> ShardedFit:
    """Fit shards that are in place already (see `fit_shards` and `fit_dask`)."""
    criterion = ShardCriterion(layout, workers, found.readings, method, brownian=brownian, penalty=penalty)
    usual = start_parameters(workers.total(start_moments), layout, brownian=brownian)
    phi = criterion.phi(usual)
    phi = phi if start is None else lift(criterion, criterion.phi(start), phi)
    end = search(criterion, ShardEvaluation.parameters, usual, phi, max_evaluations=max_evaluations, tolerance=tolerance)
    return ShardedFit(end.point.criterion, end.point, found.readings, found.sensors, end.converged, end.evaluations)


def fit_shards(
    shards: Sequence[CrossedData],
    *,
    method: Method = "REML",
    brownian: bool = False,
    penalty: Penalty | None = None,
    start: VarianceParameters | None = None,
    max_evaluations: int = 100,
    tolerance: float = TOLERANCE,
) -> ShardedFit:
    """The fit of `reml.fit` from shards in memory, one after the other.

    shards: whole sensors each; the crossed classes have the same names, sizes and scales in all.
    """
    found: Survey = InTurn(shards).total(lambda data: survey(data, brownian=brownian))
    skeleton = found.skeleton(shards[0])
    plan = make_plan(skeleton, InTurn(shards).total(borders, skeleton), found)
    workers = InTurn([Shard(data, plan, brownian) for data in shards])
    layout = driver_layout(shards[0], plan)
    return fit_workers(
        workers,
        found,
        layout,
        method=method,
        brownian=brownian,
        penalty=penalty,
        start=start,
        max_evaluations=max_evaluations,
        tolerance=tolerance,
    )
