"""The crossed model by dense matrices: slow, short, and written without a look at the kernel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sensorhealth.degradation.reml import CrossedClass, CrossedData, VarianceParameters
from sensorhealth.degradation.reml_data import Returning


def random_problem(
    seed: int,
    *,
    sensors: int = 7,
    longest: int = 6,
    random: str = "intercept+slope",
    weights: bool = True,
    fixed: float | None = None,
    duplicates: bool = False,
    wiggle: float = 0.0,
) -> CrossedData:
    """A small unbalanced problem with three crossed classes, one sensor without readings and unequal scales.

    wiggle: variance of a wander of the readings that comes back, in those of the noise.
    """
    rng = np.random.default_rng(seed)
    count = rng.integers(2, longest + 1, sensors)
    count[sensors // 2] = 0
    offsets = np.concatenate(([0], np.cumsum(count))).astype(np.int64)
    g = np.concatenate([np.sort(rng.uniform(0.05, 4.0, k)) for k in count])
    if duplicates:
        g[1] = g[0]
        g[offsets[2]] = 0.0
    n = len(g)
    cylinder = rng.integers(-1, 4, n)
    classes = (
        CrossedClass("gas", cylinder, None, 4, np.array([1.0, 0.5, 2.0, 1.3]), None),
        CrossedClass("fade", cylinder, rng.uniform(0, 2, n), 4, None, None),
        CrossedClass("session", rng.integers(0, 5, n), None, 5, None, fixed),
    )
    x = np.column_stack((np.ones(n), g, rng.standard_normal(n)))
    w = rng.uniform(0.3, 2.0, n) if weights else None
    y = 1 - 0.1 * g + 0.3 * rng.standard_normal(n) + 0.4 * np.repeat(rng.standard_normal(sensors), count)
    left = np.minimum(np.exp(-np.diff(g, prepend=0.0) / 0.8), 0.9)
    left[offsets[:-1][count > 0]] = 0.0
    returning = Returning(left, wiggle) if wiggle else None
    return CrossedData(y, x, offsets, g, w, classes, random, returning)  # type: ignore[arg-type]


def masked(random: str) -> np.ndarray:
    full = np.array([[0.21, -0.02], [-0.02, 0.013]])
    keep = {"intercept+slope": (1, 1), "intercept": (1, 0), "slope": (0, 1), "none": (0, 0)}[random]
    return full * np.outer(keep, keep)


def some_parameters(data: CrossedData, brownian: float) -> VarianceParameters:
    variances = {"gas": 0.03, "fade": 0.004, "session": 0.02}
    for c in data.classes:
        if c.fixed_variance is not None:
            variances[c.name] = c.fixed_variance
    return VarianceParameters(0.07, masked(data.random), variances, brownian)


class Dense:
    """Everything by inverting the covariance of y."""

    def __init__(self, data: CrossedData, parameters: VarianceParameters) -> None:
        self.data, self.parameters = data, parameters
        n = len(data.y)
        w = np.ones(n) if data.weights is None else data.weights
        sensor = np.repeat(np.arange(data.sensors), np.diff(data.offsets))
        self.sensor = sensor
        self.latent = self.cov_latent(sensor, data.g, self.terms(data), sensor, data.g, self.terms(data))
        self.wiggle = np.zeros((n, n))
        if data.returning is not None:
            for j in range(n):
                for k in range(j, n):
                    left = np.prod(data.returning.keep[j + 1 : k + 1]) if sensor[j] == sensor[k] else 0.0
                    self.wiggle[j, k] = self.wiggle[k, j] = data.returning.share * parameters.residual * left
        self.latent = self.latent + self.wiggle
        self.v = self.latent + np.diag(parameters.residual / w)
        self.v_inv = np.linalg.inv(self.v)
        xtv = data.x.T @ self.v_inv
        self.c = np.linalg.inv(xtv @ data.x)
        self.beta = self.c @ xtv @ data.y
        self.py = self.v_inv @ (data.y - data.x @ self.beta)

    @staticmethod
    def terms(data: CrossedData) -> list[np.ndarray]:
        """Coefficients (N, size) of every class, known scales included."""
        out = []
        for c in data.classes:
            t = np.zeros((len(c.index), c.size))
            for j, column in enumerate(c.index):
                if column >= 0:
                    t[j, column] = (1.0 if c.value is None else c.value[j]) * (1.0 if c.scale is None else c.scale[column])
            out.append(t)
        return out

    def cov_latent(self, s1, g1, t1, s2, g2, t2, level1=True, level2=True):  # type: ignore[no-untyped-def]
        same = s1[:, None] == s2[None, :]
        z1 = np.column_stack((np.full(len(g1), float(level1)), g1))
        z2 = np.column_stack((np.full(len(g2), float(level2)), g2))
        k = self.parameters.brownian * np.minimum(g1[:, None], g2[None, :])
        out = same * (z1 @ self.parameters.sensor @ z2.T + k)
        for c, a, b in zip(self.data.classes, t1, t2):
            out = out + self.parameters.crossed[c.name] * a @ b.T
        return out

    def deviance(self, method: str) -> float:
        data = self.data
        r = data.y - data.x @ self.beta
        value = np.linalg.slogdet(self.v)[1] + r @ self.v_inv @ r
        if method == "ML":
            return float(value + len(data.y) * np.log(2 * np.pi))
        p = data.x.shape[1]
        return float(value + np.linalg.slogdet(np.linalg.inv(self.c))[1] + (len(data.y) - p) * np.log(2 * np.pi))

    def predict(self, x: np.ndarray, k: np.ndarray, prior: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean and covariance of x'beta + h with Cov(h, y) = k (m, N) and Cov(h) = prior (m, m)."""
        mean = x @ self.beta + k @ self.py
        a = x - k @ self.v_inv @ self.data.x
        return mean, prior - k @ self.v_inv @ k.T + a @ self.c @ a.T


def without_class_variance(parameters: VarianceParameters) -> VarianceParameters:
    return replace(parameters, crossed=dict.fromkeys(parameters.crossed, 0.0))
