"""Maximum likelihood (or posterior mode) of a life family under every censoring and truncation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from ..errors import FitError
from .families import LifeFamily
from .lifedata import LifeData, condensed

Array = NDArray[np.float64]
Function = Callable[[Array], Array]


class Prior(Protocol):
    """A log prior density over the parameters of any family, worth so many deaths in so much exposure."""

    @property
    def deaths(self) -> float:
        """How many deaths it is worth."""

    @property
    def exposure(self) -> float:
        """The exposure that goes with them."""

    def __call__(self, family: LifeFamily, theta: Array) -> Array:
        """Log density, up to a constant, of theta (..., p); shape (...)."""


@dataclass(frozen=True)
class FamilyFit:
    """One family fitted.

    theta: (p,) unconstrained mode; covariance: (p, p) of theta, from the curvature there; loglik at the mode, without
    prior; logpost with prior (equal to loglik without one). deaths: number of deaths behind it.
    """

    family: LifeFamily
    theta: Array
    covariance: Array
    loglik: float
    logpost: float
    deaths: float

    @property
    def aic(self) -> float:
        """Akaike's information criterion at the mode; where there is a prior, of likelihood times prior."""
        return 2.0 * self.theta.size - 2.0 * self.logpost

    @property
    def natural(self) -> Array:
        """Natural parameters (p,), named by `family.parameters`."""
        return self.family.natural(self.theta)

    @property
    def std_errors(self) -> Array:
        """Standard errors (p,) of the natural parameters, by the delta method."""
        return np.sqrt(np.diag(self.natural_covariance))

    @property
    def natural_covariance(self) -> Array:
        """Covariance (p, p) of the natural parameters, by the delta method."""
        slopes = gradient(self.family.natural, self.theta)
        return np.asarray(slopes.T @ self.covariance @ slopes)


def log_likelihood(family: LifeFamily, data: LifeData, theta: Array) -> Array:
    """Log-likelihood (...) at parameters theta (..., p).

    Exact death: log h - H; right-censored: -H; interval: -H(lower) + log(1 - exp(H(lower) - H(upper))); each given
    survival to entry, + H(entry). Source: Klein and Moeschberger (2003), section 3.5.
    """
    at = np.asarray(theta, dtype=float)[..., None, :]
    lower, upper, died = data.lower, data.upper, data.died
    exact = died & (lower == upper)
    interval = died & ~exact
    start = family.cumulative_hazard(data.lower, at)
    terms = -start + family.cumulative_hazard(data.entry, at)
    if exact.any():
        terms[..., exact] += family.log_hazard(lower[exact], at)
    if interval.any():
        gap = family.cumulative_hazard(upper[interval], at) - start[..., interval]
        with np.errstate(divide="ignore"):
            terms[..., interval] += np.log(-np.expm1(-gap))
    return np.asarray(terms @ data.weight)


def gradient(function: Function, theta: Array, step: float = 1e-5) -> Array:
    """Central differences of `function`, which takes parameters (k, p), along each parameter, stacked on the first axis."""
    moves = step * np.eye(theta.size)
    values = function(np.concatenate((theta + moves, theta - moves)))
    return (values[: theta.size] - values[theta.size :]) / (2 * step)


def fit_family(family: LifeFamily, data: LifeData, prior: Prior | None = None) -> FamilyFit:
    """Fit one family to life data at the mode of likelihood times prior.

    Ages are scaled by their typical value first by starting near it; a quasi-Newton run is polished by Newton steps,
    so that parameters are good to about 1e-8. Raises FitError where there are no deaths and no prior to make up for
    it.
    """
    if prior is None and not data.deaths > 0:
        raise FitError(f"no deaths among {data.lower.size} lives: a {family.name} life cannot be fitted without a prior")

    told = condensed(data)

    def objective(theta: Array) -> Array:
        with np.errstate(over="ignore", invalid="ignore", under="ignore"):
            value = log_likelihood(family, told, theta)
            if prior is not None:
                value = value + prior(family, theta)
        return np.where(np.isfinite(value), -value, 1e12)

    deaths = data.deaths + (prior.deaths if prior is not None else 0.0)
    exposure = data.exposure + (prior.exposure if prior is not None else 0.0)
    ages = np.where(data.died, data.upper, data.lower)
    typical = float(np.average(ages, weights=data.weight + 1e-12)) if ages.size else 1.0
    start = family.start(deaths / exposure, max(typical, 1e-6))
    found = minimize(objective, start, method="BFGS", jac=lambda theta: gradient(objective, theta), options={"gtol": 1e-5})  # type: ignore[call-overload]
    if not found.fun < 1e11:
        raise FitError(f"the {family.name} life did not fit {data.lower.size} lives: {found.message}")
    theta, hessian = _polish(objective, np.asarray(found.x))
    covariance = np.asarray(np.linalg.inv(hessian), dtype=float)
    logpost = -float(objective(theta))
    return FamilyFit(family, theta, covariance, float(log_likelihood(family, told, theta)), logpost, data.deaths)


def _polish(objective: Function, theta: Array) -> tuple[Array, Array]:
    """A few Newton steps; the mode and a positive definite curvature there."""
    for _ in range(8):
        hessian = _safe(curvature(objective, theta))
        step = np.linalg.solve(hessian, gradient(objective, theta))
        candidate = theta - np.clip(step, -1.0, 1.0)
        if objective(candidate) > objective(theta) + 1e-9:
            break
        theta = candidate
        if np.abs(step).max() < 1e-9:
            break
    return theta, _safe(curvature(objective, theta))


def curvature(function: Function, theta: Array, step: float = 1e-3) -> Array:
    """Matrix of second derivatives (p, p) of a scalar function, which takes parameters (k, p), by central differences."""
    p = theta.size
    moves = step * np.eye(p)
    i, j = np.tril_indices(p, -1)
    corners = [s * moves[i] + t * moves[j] for s in (1, -1) for t in (1, -1)]
    values = function(theta + np.concatenate([np.zeros((1, p)), moves, -moves, *corners]))
    up, down = values[1 : p + 1], values[p + 1 : 2 * p + 1]
    first, second, third, fourth = np.split(values[2 * p + 1 :], 4)
    result = np.diag((up - 2 * values[0] + down) / step**2)
    result[i, j] = result[j, i] = (first - second - third + fourth) / (4 * step**2)
    return result


def _safe(hessian: Array) -> Array:
    """The nearest curvature whose eigenvalues are at least 1e-4: a direction without information gets a wide spread."""
    values, vectors = np.linalg.eigh(np.nan_to_num(hessian))
    return np.asarray((vectors * np.maximum(values, 1e-4)) @ vectors.T)
