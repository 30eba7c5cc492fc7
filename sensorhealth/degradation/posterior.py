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
class PathPosterior:
    """Mixture of m Gaussian posteriors (curves x draws of the variance parameters) for n lives of one stratum.

    weight (m,), adds up to 1; curve: m ageing curves. level (m, n): latent ln headroom ratio at the given age; slope
    (m, n) per unit of the curve's clock phi; covariance (m, n, 2, 2) of the two; phi_now (m, n): the curve's clock at
    the given age. brownian (m,): variance of the wander per unit phi; residual_variance (m,): scale^2 of a reading's
    noise, with degrees (m,) of freedom; gas_variance (m,): a new cylinder and session together. readings_used (n,).
    The latent path is level + slope (phi - phi_now) + sqrt(brownian) W(phi - phi_now), W a standard Wiener process; on a
    curve of own pace it is level + path(slope, age) - path(slope, age now), straight about the slope's mean.
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

    def ageing_rate(self, age_years: FloatArray) -> FloatArray:
        """Expected change of ln headroom ratio per year (n,) at `age_years` (n,)."""
        return self.weight @ np.stack([curve.path_by_age(self.slope[j], age_years) for j, curve in enumerate(self.curve)])

    def moments(self, age_years: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Mean and variance (n,) of the latent path at `age_years` (n,)."""
        return moments(self.weight, *self.latent(age_years))
