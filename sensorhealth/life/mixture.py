"""The hazard of one group of sensors as a weighted mixture of families and of draws of their parameters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from .families import LifeFamily
from .lifedata import LifeData, condensed
from .likelihood import FamilyFit, Prior, fit_family, log_likelihood

Array = NDArray[np.float64]

_EXACT = 200  # ages up to which conditional distributions are those of the very age; of more they are read from a table
_TABLE = 600  # ages in it
_SPAN = 5.0  # years of age that it covers, or a multiple, so that it is the same for other lives
_TABLES = 8  # such tables that are kept
_LEAST_WEIGHT = 1e-3
_WORK = 4_000_000  # likelihood terms spent on proposals, at most 16 and at least 2 per draw


@dataclass(frozen=True)
class HazardMixture:
    """Posterior of a life distribution. Ages in years.

    fits: one per family; family_weights: (f,) by Akaike's criterion; draws: per family kept, parameters (k, p) and
    their weights (k,), all weights together summing to 1. deaths, lives, exposure_years: what it rests on.
    """

    fits: tuple[FamilyFit, ...]
    family_weights: Array
    draws: tuple[tuple[LifeFamily, Array, Array], ...]
    deaths: float
    lives: int
    exposure_years: float
    _tables: dict[tuple[float, float, bytes], tuple[Array, Array]] = field(default_factory=dict, repr=False, compare=False)

    @property
    def likeliest(self) -> str:
        """Name of the family with the largest weight."""
        return self.fits[int(np.argmax(self.family_weights))].family.name

    def survival(self, age: Array) -> Array:
        """Survival (...) from new to `age` years, averaged over the posterior."""
        ages = np.asarray(age, dtype=float)
        total = np.zeros(ages.shape)
        for family, theta, weight in self.draws:
            total += np.tensordot(weight, family.sf(ages[None, ...], _lead(theta, ages.ndim)), axes=1)
        return total

    def cumulative_hazard(self, age: Array) -> Array:
        """-log of `survival`."""
        return -np.log(np.maximum(self.survival(age), 1e-300))

    def conditional_cdf(self, age: Array, ahead: Array) -> Array:
        """Chance (n, m) to die within `ahead` (m,) years of `age` (n,) years, given alive at that age.

        Each draw of the parameters is conditioned by itself, as the records of the sensor are in the posterior already.
        """
        ages = np.asarray(age, dtype=float)
        known, where = np.unique(ages, return_inverse=True)
        if known.size <= _EXACT:
            return self._conditional(known, ahead)[where]
        first, last = (_SPAN * float(np.floor(age / _SPAN)) for age in (known[0], known[-1]))
        table, values = self._table(first, last + _SPAN, ahead)
        position = (ages - table[0]) / (table[1] - table[0])
        below = np.clip(position.astype(int), 0, _TABLE - 2)
        share = (position - below)[:, None]
        found = values[below + 1] - values[below]
        found *= share
        found += values[below]
        return found

    def _table(self, first: float, last: float, ahead: Array) -> tuple[Array, Array]:
        """Ages from `first` to `last`, and conditional distributions (ages, m) at them; worked out once, as the shards of a fleet
        ask alike."""
        asked = first, last, ahead.tobytes()
        if asked not in self._tables:
            if len(self._tables) >= _TABLES:
                self._tables.clear()
            table = np.linspace(first, last, _TABLE)
            self._tables[asked] = table, self._conditional(table, ahead)
        return self._tables[asked]

    def _conditional(self, age: Array, ahead: Array) -> Array:
        total = np.zeros((age.size, np.size(ahead)))
        for family, theta, weight in self.draws:
            for one, share in zip(theta, weight):
                now = family.cumulative_hazard(age, one)[:, None]
                later = family.cumulative_hazard(age[:, None] + ahead, one)
                total += share * -np.expm1(np.minimum(now - later, 0.0))
        return np.clip(total, 0.0, 1.0)

    def one_draw(self, rng: np.random.Generator) -> HazardMixture:
        """A mixture of one family with one set of parameters, drawn from this posterior."""
        sizes = [weight.sum() for _, _, weight in self.draws]
        family, theta, weight = self.draws[rng.choice(len(sizes), p=np.array(sizes) / sum(sizes))]
        chosen = theta[rng.choice(weight.size, p=weight / weight.sum())]
        return HazardMixture((), np.ones(1), ((family, chosen[None, :], np.ones(1)),), *self._rests_on)

    @property
    def _rests_on(self) -> tuple[float, int, float]:
        return self.deaths, self.lives, self.exposure_years


def fit_mixture(
    families: Sequence[LifeFamily], data: LifeData, prior: Prior, n_draws: int, rng: np.random.Generator
) -> HazardMixture:
    """Fit every family at its posterior mode, weigh them by Akaike's criterion, and draw their parameters.

    Draws come from a t law with 6 degrees of freedom around the mode, importance-resampled to the posterior.
    """
    fits = tuple(fit_family(family, data, prior) for family in families)
    aic = np.array([fit.aic for fit in fits])
    weights = np.exp(-0.5 * (aic - aic.min()))
    weights /= weights.sum()
    kept = np.where(weights < _LEAST_WEIGHT, 0.0, weights)
    draws = []
    for fit, weight in zip(fits, kept / kept.sum()):
        if weight > 0:
            theta, share = _draw(fit, data, prior, n_draws, rng)
            draws.append((fit.family, theta, weight * share))
    return HazardMixture(fits, weights, tuple(draws), data.deaths, data.lower.size, data.exposure)


def _draw(fit: FamilyFit, data: LifeData, prior: Prior, count: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """`count` equally weighted draws, resampled from many more proposals by their importance."""
    freedom, p = 6.0, fit.theta.size
    proposals = count * int(np.clip(_WORK // (count * max(data.lower.size, 1)), 2, 16))
    z = rng.standard_normal((proposals, p)) * np.sqrt(freedom / rng.chisquare(freedom, proposals))[:, None]
    theta = fit.theta + z @ np.linalg.cholesky(fit.covariance).T
    with np.errstate(over="ignore", invalid="ignore", under="ignore", divide="ignore"):
        target = log_likelihood(fit.family, condensed(data), theta) + prior(fit.family, theta)
    log_weight = target + 0.5 * (freedom + p) * np.log1p(np.sum(z**2, axis=1) / freedom)
    log_weight = np.where(np.isfinite(log_weight), log_weight, -np.inf)
    weight = np.exp(log_weight - log_weight.max())
    summed = np.cumsum(weight) / weight.sum()
    chosen = np.searchsorted(summed, (np.arange(count) + rng.random()) / count)
    kept, repeats = np.unique(np.minimum(chosen, proposals - 1), return_counts=True)
    return theta[kept], repeats / count


def _lead(theta: Array, dimensions: int) -> Array:
    return theta.reshape(theta.shape[0], *([1] * dimensions), theta.shape[1])
