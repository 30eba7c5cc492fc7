"""The fitted crossed model: estimates, predictions and their errors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.linalg import cholesky

from sensorhealth.degradation import reml_rows
from sensorhealth.degradation.reml_criterion import Criterion, Evaluation
from sensorhealth.degradation.reml_data import FloatArray, IntArray, VarianceParameters
from sensorhealth.degradation.reml_errors import covariance_of, relative_variances, variance_covariance, variance_errors
from sensorhealth.degradation.reml_readings import fitted_variance
from sensorhealth.degradation.reml_score import symmetric
from sensorhealth.degradation.reml_solution import sensor_means
from sensorhealth.degradation.reml_wander import plain_residual
from sensorhealth.degradation.returning import ReturningNoise
from sensorhealth.errors import FitError

Terms = Mapping[str, IntArray | tuple[IntArray, FloatArray | None]]


@dataclass(frozen=True)
class SharedDraws:
    """k draws of what sensors share, from its posterior at fixed variances."""

    beta: FloatArray  # (k, p)
    crossed: FloatArray  # (k, C) effects of all classes one after another, in the units of y


@dataclass(frozen=True)
class CrossedFit:
    """A crossed model at its estimated (or given) variances. n sensors, p fixed effects, N readings."""

    criterion: Criterion
    evaluation: Evaluation
    converged: bool
    evaluations: int
    message: str
    decrement: float = 0.0  # predicted decrease of the deviance where the search ended

    @property
    def parameters(self) -> VarianceParameters:
        return self.evaluation.parameters()

    @property
    def phi(self) -> FloatArray:
        """Parameters of the search (see reml_criterion); standard deviations relative to the residual's."""
        return self.evaluation.phi

    @cached_property
    def parameter_covariance(self) -> FloatArray:
        """Covariance of phi: inverse of half the curvature of -2 log L (average information)."""
        return covariance_of(self.evaluation.hessian)

    @property
    def variances(self) -> FloatArray:
        """The estimated variances in one vector (m,): residual, D11, D12, D22, each class's, the wander's if any."""
        return self.evaluation.residual * relative_variances(self.criterion, self.evaluation.relative)

    @cached_property
    def variance_covariance(self) -> FloatArray:
        """Covariance (m, m) of `variances` (average information)."""
        at = self.evaluation
        return variance_covariance(
            self.criterion, at.phi, at.relative, at.residual, at.eliminated.rss, at.score, self.parameter_covariance
        )

    @cached_property
    def parameter_errors(self) -> VarianceParameters:
        """Standard errors of the variances (delta method), each in the place of its variance."""
        return variance_errors(self.criterion, self.variance_covariance)

    @property
    def deviance(self) -> float:
        """-2 log (restricted) likelihood, penalty not counted; lme4's REML criterion."""
        return self.evaluation.deviance

    @property
    def deviance_ml(self) -> float:
        """-2 log likelihood of all readings at these variances, whatever the method."""
        el, s2 = self.evaluation.eliminated, self.evaluation.residual
        return float(len(self.criterion.layout.data.y) * np.log(2 * np.pi * s2) + el.rss / s2 + el.log_det)

    @cached_property
    def beta(self) -> FloatArray:
        """Fixed effects (p,)."""
        return self.criterion.layout.start + self.evaluation.eliminated.beta

    @cached_property
    def beta_covariance(self) -> FloatArray:
        root = self.evaluation.eliminated.beta_root
        return self.evaluation.residual * root.T @ root

    @property
    def sensor_effects(self) -> FloatArray:
        """Predicted deviations (intercept, slope) of each sensor (n, 2)."""
        return self.evaluation.solution.u.T

    @cached_property
    def slopes(self) -> FloatArray:
        """Predicted slope of each sensor (n,): quick, where nothing else is asked for."""
        return sensor_means(self.evaluation.eliminated, self.evaluation.sums)[1]

    def crossed_mean(self, name: str) -> FloatArray:
        """Mean of a class's effects (size,), in the units of y: quick, where their errors are not asked for."""
        layout = self.criterion.layout
        k = [item.name for item in layout.data.classes].index(name)
        own = slice(layout.first_column[k], layout.first_column[k + 1])
        return np.asarray(self.evaluation.eliminated.v[own] * layout.scale[own])

    @cached_property
    def sensor_covariance(self) -> FloatArray:
        """Prediction error covariance of the sensor effects (n, 2, 2), uncertainty of beta included."""
        n = self.criterion.layout.sensors
        zero = np.zeros((n, self.criterion.layout.fixed))
        return self._joint(*(reml_rows.plain_rows(np.arange(n), zero, np.tile(e, (n, 1)), None) for e in np.eye(2)))

    @cached_property
    def crossed(self) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Mean and prediction error variance (each (size,)) of every class's effects, in the units of y."""
        layout, so = self.criterion.layout, self.evaluation.solution
        fixed = so.e @ so.eliminated.beta_root.T
        variance = self.evaluation.residual * (so.eliminated.theta_diagonal + (fixed * fixed).sum(1)) * layout.scale**2
        mean = so.v * layout.scale
        cut = layout.first_column
        return {c.name: (mean[cut[k] : cut[k + 1]], variance[cut[k] : cut[k + 1]]) for k, c in enumerate(layout.data.classes)}

    def crossed_covariance(self, first: str, i: IntArray, second: str, j: IntArray) -> FloatArray:
        """Prediction error covariance (m,) of effects i (m,) of one class with effects j (m,) of another."""
        layout, so = self.criterion.layout, self.evaluation.solution
        names = [c.name for c in layout.data.classes]
        a = layout.first_column[names.index(first)] + i
        b = layout.first_column[names.index(second)] + j
        fixed = so.e @ so.eliminated.beta_root.T
        relative = so.eliminated.covariances.between(a, b) + (fixed[a] * fixed[b]).sum(1)
        return self.evaluation.residual * relative * layout.scale[a] * layout.scale[b]

    def _joint(self, level: reml_rows.Rows, slope: reml_rows.Rows) -> FloatArray:
        """Absolute covariance (m, 2, 2) of two rows per sensor."""
        so = self.evaluation.solution
        out = np.empty((len(level.sensor), 2, 2))
        out[:, 0, 0] = reml_rows.covariances(level, level, so)
        out[:, 1, 1] = reml_rows.covariances(slope, slope, so)
        out[:, 0, 1] = out[:, 1, 0] = reml_rows.covariances(level, slope, so)
        return self.evaluation.residual * out

    @cached_property
    def fitted(self) -> FloatArray:
        """Latent reading x'beta + z'u + t'c + W at every reading (N,)."""
        return self.criterion.layout.data.y - self.residuals

    @cached_property
    def residuals(self) -> FloatArray:
        """y - fitted (N,)."""
        so = self.evaluation.solution
        out = plain_residual(self.criterion.layout, so.eliminated.beta, so.u, so.v)
        if self.evaluation.noise is not None:
            out = out - self.wander
        return out

    @cached_property
    def wander(self) -> FloatArray:
        """E(W | y) at every reading (N,); zeros without a wander."""
        noise = self.evaluation.noise
        if noise is None:
            return np.zeros(len(self.criterion.layout.sensor))
        return reml_rows.wander_means(self.evaluation.solution, noise)

    @cached_property
    def fitted_variance(self) -> FloatArray:
        """Prediction error variance of `fitted` (N,)."""
        return self.evaluation.residual * fitted_variance(self.evaluation.solution, self.evaluation.noise)

    def posterior(
        self,
        x_level: FloatArray,
        x_slope: FloatArray,
        level_terms: Terms | None = None,
        slope_terms: Terms | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Joint posterior of every sensor's latent level and slope per unit g: mean (n, 2), covariance (n, 2, 2).

        The level stands at g = 0 and contains the wander gathered up to the last reading, so that the path after it is
        level + slope * g + new wander (one that comes back is no part of it). x_level, x_slope (n, p): fixed-effect rows of
        level and slope. The terms name crossed effects that belong to the path (lots): class -> (n,) column (-1 none), or
        (column, coefficient).
        """
        level, slope = self._path_rows(x_level, x_slope, level_terms, slope_terms)
        so = self.evaluation.solution
        start = self.criterion.layout.start
        mean = np.stack((reml_rows.means(level, so) + x_level @ start, reml_rows.means(slope, so) + x_slope @ start), 1)
        return mean, self._joint(level, slope)

    def returning(
        self,
        x_level: FloatArray,
        x_slope: FloatArray,
        level_terms: Terms | None = None,
        slope_terms: Terms | None = None,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What the wander of the readings that comes back is at each sensor's last reading: mean (n,), variance (n,) and
        covariance (n, 2) with level and slope as of `posterior`; nil where there is none in the model."""
        noise, layout = self.evaluation.noise, self.criterion.layout
        if not isinstance(noise, ReturningNoise):
            return np.zeros(layout.sensors), np.zeros(layout.sensors), np.zeros((layout.sensors, 2))
        level, slope = self._path_rows(x_level, x_slope, level_terms, slope_terms)
        rows, with_wander = reml_rows.returning_rows(layout, noise)
        so, size = self.evaluation.solution, self.evaluation.residual
        cross = [reml_rows.covariances(one, rows, so) for one in (level, slope)]
        cross[0] = cross[0] + with_wander
        return reml_rows.means(rows, so), size * reml_rows.covariances(rows, rows, so), size * np.stack(cross, axis=1)

    def _path_rows(
        self, x_level: FloatArray, x_slope: FloatArray, level_terms: Terms | None, slope_terms: Terms | None
    ) -> tuple[reml_rows.Rows, reml_rows.Rows]:
        layout, noise = self.criterion.layout, self.evaluation.noise
        n = layout.sensors
        everyone = np.arange(n)
        one = np.eye(2)
        level = reml_rows.plain_rows(everyone, x_level, np.tile(one[0], (n, 1)), self._terms(level_terms, n))
        slope = reml_rows.plain_rows(everyone, x_slope, np.tile(one[1], (n, 1)), self._terms(slope_terms, n))
        if noise is not None:
            last = layout.data.offsets[1:] - 1
            seen = np.diff(layout.data.offsets) > 0
            g_last = np.where(seen, layout.data.g[np.where(seen, last, 0)], 0.0) if len(layout.sensor) else np.zeros(n)
            level = reml_rows.add_wander(level, g_last, layout, noise)
        return level, slope

    def _terms(self, terms: Terms | None, m: int) -> sparse.csr_array | None:
        """Crossed terms by class name as sparse rows (m, C)."""
        if not terms:
            return None
        layout = self.criterion.layout
        names = [c.name for c in layout.data.classes]
        parts = []
        for name, term in terms.items():
            if name not in names:
                raise FitError(f"crossed class '{name}' is not in the model; it has {', '.join(names) or 'none'}")
            index, value = term if isinstance(term, tuple) else (term, None)
            row = np.flatnonzero(index >= 0)
            column = index[row] + layout.first_column[names.index(name)]
            parts.append((layout.scale[column] * (1.0 if value is None else value[row]), row, column))
        value, row, column = (np.concatenate(part) for part in zip(*parts))
        return sparse.csr_array((value, (row, column)), shape=(m, layout.columns))

    def functional(
        self, sensor: IntArray, x: FloatArray, g: FloatArray, crossed: Terms | None = None, *, wander: bool = True
    ) -> tuple[FloatArray, FloatArray]:
        """Latent x'beta + a + b g + W(g) + crossed terms of m (sensor, g): mean (m,), variance (m,).

        sensor (m,), x (m, p), g (m,); crossed as in `posterior` with m rows. Any g: within the history the wander is
        smoothed, beyond it its variance grows. The residual variance of a new reading is not in it.
        """
        layout, noise = self.criterion.layout, self.evaluation.noise
        t = self._terms(crossed, len(sensor))
        rows = reml_rows.plain_rows(sensor, x, np.column_stack((np.ones(len(sensor)), g)), t)
        if noise is not None and wander:
            rows = reml_rows.add_wander(rows, g, layout, noise)
        so = self.evaluation.solution
        mean = reml_rows.means(rows, so) + x @ layout.start
        return mean, self.evaluation.residual * reml_rows.covariances(rows, rows, so)

    def draw_shared(self, rng: np.random.Generator, k: int) -> SharedDraws:
        """k joint draws of fixed and crossed effects from their posterior at these variances."""
        layout, so = self.criterion.layout, self.evaluation.solution
        sd = np.sqrt(self.evaluation.residual)
        off = sd * rng.standard_normal((k, layout.fixed)) @ so.eliminated.beta_root
        crossed = so.v + self._crossed_noise(rng, k) - off @ so.e.T
        return SharedDraws(self.beta + off, crossed * layout.scale)

    def _crossed_noise(self, rng: np.random.Generator, k: int) -> FloatArray:
        """k draws (k, C) of the crossed effects about their means given beta, down the tree."""
        el = self.evaluation.eliminated
        out = np.zeros((k, self.criterion.layout.columns))
        for block, solved in zip(reversed(el.layout.blocks), reversed(el.blocks)):
            own, border = block.columns[: block.own], block.columns[block.own :]
            if not block.own:
                continue
            root = cholesky(solved.a_inverse, lower=True, check_finite=False) * solved.t[:, None]
            fresh = np.sqrt(self.evaluation.residual) * rng.standard_normal((k, block.own)) @ root.T
            out[:, own] = fresh - out[:, border] @ solved.follow.T
        return out

    def posterior_given(
        self,
        shared: SharedDraws,
        x_level: FloatArray,
        x_slope: FloatArray,
        level_terms: Terms | None = None,
        slope_terms: Terms | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """As `posterior`, given k draws of what sensors share: mean (k, n, 2), covariance (n, 2, 2) of every draw."""
        layout, so = self.criterion.layout, self.evaluation.solution
        level, slope = self._path_rows(x_level, x_slope, level_terms, slope_terms)
        beta = shared.beta - layout.start
        effects = shared.crossed / np.where(layout.scale > 0, layout.scale, 1.0)
        n, k = layout.sensors, len(beta)
        contrast = np.hstack((-beta, np.ones((k, 1))))
        left = np.stack([contrast @ half for half in so.sums.wx])  # (2, k, n)
        if layout.columns:
            left -= (so.pairs @ effects.T).T.reshape(k, n, 2).transpose(2, 0, 1)
        u = symmetric(so.s, left)
        mean = np.stack([self._given(rows, beta, effects, u) for rows in (level, slope)], axis=2)
        mean += np.stack((x_level @ layout.start, x_slope @ layout.start), axis=1)
        sz = [symmetric(so.s, rows.z.T) for rows in (level, slope)]
        cov = np.stack([np.stack([(r.z.T * part).sum(0) for part in sz], 1) for r in (level, slope)], 1)
        cov[:, 0, 0] += level.gamma
        return mean, self.evaluation.residual * cov

    @staticmethod
    def _given(rows: reml_rows.Rows, beta: FloatArray, effects: FloatArray, u: FloatArray) -> FloatArray:
        """Means (k, n) of rows at given beta (k, p), crossed effects (k, C) and sensor effects (2, k, n)."""
        out = rows.offset + beta @ rows.x.T + u[0] * rows.z[:, 0] + u[1] * rows.z[:, 1]
        return out if rows.t is None else out + (rows.t @ effects.T).T
