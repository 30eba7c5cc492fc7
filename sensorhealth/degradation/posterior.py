"""What is known of the latent paths of many sensors at their present age: the hand-over to the forecasts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.mixture import moments

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
ObjectArray = NDArray[np.object_]


@dataclass(frozen=True)
class Wiggling:
    """What readings wiggle by about their paths, of m components and n lives.

    mean, variance (m, n): of the wiggle at the last reading; with_path (m, n, 2): its covariance with level and slope
    at the given age. years, lasting (m,): in which it dies away e-fold, and its variance where nothing tells of it. last (n,):
    age at the last reading, NaN for none.
    """

    mean: FloatArray
    variance: FloatArray
    with_path: FloatArray
    years: FloatArray
    lasting: FloatArray
    last: FloatArray

    def take(self, index: NDArray[np.bool_] | IntArray) -> Wiggling:
        """The same for some of the lives."""
        own = self.mean[:, index], self.variance[:, index], self.with_path[:, index]
        return Wiggling(*own, self.years, self.lasting, self.last[index])

    def added(
        self, mean: FloatArray, variance: FloatArray, by_slope: FloatArray, age: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Mean and variance (m, n) of paths at `age` (n,) with the wiggle then; by_slope (m, n): how they change with their
        slopes since the given age. Within the history, where readings beside would tell of it, only its size is counted."""
        since = np.where(age >= self.last, age - self.last, np.inf)
        left = np.exp(-since / self.years[:, None])
        together = self.with_path[..., 0] + by_slope * self.with_path[..., 1]
        spread = variance + 2.0 * left * together + left**2 * self.variance + self.lasting[:, None] * (1.0 - left**2)
        return mean + left * self.mean, spread


@dataclass(frozen=True)
class PathPosterior:
    """Mixture of m Gaussian posteriors (curves x draws of the variance parameters) for n lives of one stratum.

    weight (m,), adds up to 1; curve: m ageing curves. level (m, n): latent ln headroom ratio at the given age; slope
    (m, n) per unit of the curve's clock phi; covariance (m, n, 2, 2) of the two; phi_now (m, n): the curve's clock at
    the given age. brownian (m,): variance of the wander per unit phi; residual_variance (m,): scale^2 of a reading's
    noise, with degrees (m,) of freedom; gas_variance (m,): a new cylinder and session together. readings_used (n,).
    The latent path is level + slope (phi - phi_now) + sqrt(brownian) W(phi - phi_now), W a standard Wiener process; on a
    curve of own pace it is level + path(slope, age) - path(slope, age now), straight about the slope's mean. wiggle: what
    readings wander by about it and come back from, None for nothing.
    """

    stratum: str
    life_id: ObjectArray
    weight: FloatArray
    curve: tuple[Curve, ...]
    level: FloatArray
    slope: FloatArray
    covariance: FloatArray
    phi_now: FloatArray
    brownian: FloatArray
    residual_variance: FloatArray
    degrees: FloatArray
    gas_variance: FloatArray
    readings_used: IntArray
    wiggle: Wiggling | None = None

    def take(self, index: NDArray[np.bool_] | IntArray) -> PathPosterior:
        """The same for some of the lives."""
        return replace(
            self,
            life_id=self.life_id[index],
            level=self.level[:, index],
            slope=self.slope[:, index],
            covariance=self.covariance[:, index],
            phi_now=self.phi_now[:, index],
            readings_used=self.readings_used[index],
            wiggle=None if self.wiggle is None else self.wiggle.take(index),
        )

    @property
    def highest(self) -> float:
        """Level at the given age that hardly any of the lives stands above (three standard deviations)."""
        spread = np.sqrt(np.maximum(self.covariance[..., 0, 0], 0.0))
        return float((self.level + 3.0 * spread).max(initial=0.0))

    def latent(self, age_years: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and variance (m, n) of the latent path at `age_years` (n,), not before the given age, by component."""
        paths = [curve.ahead(self.slope[j], self.phi_now[j], age_years) for j, curve in enumerate(self.curve)]
        change, by_slope = (np.stack(part) for part in zip(*paths, strict=True))
        spread = self.covariance[..., 0, 0] + 2.0 * by_slope * self.covariance[..., 0, 1]
        spread = spread + by_slope**2 * self.covariance[..., 1, 1] + self.brownian[:, None] * by_slope
        return self.level + change, spread

    def as_read(self, age_years: FloatArray) -> tuple[FloatArray, FloatArray]:
        """As `latent`, with what readings wiggle by about the path."""
        mean, variance = self.latent(age_years)
        if self.wiggle is None:
            return mean, variance
        by_slope = np.stack([curve.ahead(self.slope[j], self.phi_now[j], age_years)[1] for j, curve in enumerate(self.curve)])
        return self.wiggle.added(mean, variance, by_slope, age_years)

    def ageing_rate(self, age_years: FloatArray) -> FloatArray:
        """Expected change of ln headroom ratio per year (n,) at `age_years` (n,)."""
        return self.weight @ np.stack([curve.path_by_age(self.slope[j], age_years) for j, curve in enumerate(self.curve)])

    def moments(self, age_years: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and variance (n,) of the latent path at `age_years` (n,)."""
        return moments(self.weight, *self.latent(age_years))
