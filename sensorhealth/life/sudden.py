"""Sudden ends: the hazard of dying at once, per technology, from lives that are truncated and censored in every way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator

from ..errors import FitError
from ..technologies import flat_technologies, technologies
from .falls import NONE, Falls
from .families import life_families
from .lifedata import DAYS_PER_YEAR, LifeData, life_data, years_between
from .mixture import HazardMixture, fit_mixture
from .prior import LevelPrior, technology_prior

Array = NDArray[np.float64]

POOLED = "all technologies"


def conditional_cdf(groups: dict[str, HazardMixture], lives: pd.DataFrame, as_of: pd.Timestamp, days: ArrayLike) -> Array:
    """Chance (n, m) of a sudden end within `days` (m,), by the hazard of each life's stratum, technology or of all."""
    ahead = np.atleast_1d(np.asarray(days, dtype=float)) / DAYS_PER_YEAR
    age = years_between(lives["installed"], pd.Timestamp(as_of))
    stratum, strata = pd.factorize(lives["stratum"])
    technology, known = pd.factorize(lives["technology"])
    kind, kinds = pd.factorize(stratum * len(known) + technology)
    pairs = [divmod(int(one), len(known)) for one in kinds]
    group, names = pd.factorize(np.array([_group(groups, str(strata[s]), str(known[t])) for s, t in pairs], dtype=object))
    own = group[kind]
    result = np.empty((len(lives), ahead.size))
    for number, name in enumerate(names):
        rows = own == number
        result[rows] = groups[name].conditional_cdf(np.maximum(age[rows], 0.0), ahead)
    return result


def _group(groups: dict[str, HazardMixture], stratum: str, technology: str) -> str:
    return next(name for name in (stratum, technology, POOLED) if name in groups)


@dataclass(frozen=True)
class SuddenDraw:
    """One draw of every group's hazard, and of the rates of falls: what all sensors of a fleet share in one possible world."""

    groups_: dict[str, HazardMixture]
    falls: Falls = NONE

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: ArrayLike) -> Array:
        """As SuddenLife.conditional_cdf, with the parameters of this draw."""
        return conditional_cdf(self.groups_, lives, as_of, days)


class SuddenLife(BaseEstimator):
    """Life distribution of sudden ends, per technology, and per stratum (technology and gas) within it.

    families: names of the life families that compete (see sensorhealth.life.families); they are averaged by Akaike's weights.
    prior_deaths: how many deaths' worth of evidence the technology's default counts for (sensorhealth.life.prior). With no
    deaths in E sensor-years the forecast hazard is then near the default while E is small and falls towards 1 / E when it
    is large: neither nought nor the default. stratum_deaths: how many deaths' worth of evidence the technology counts for in
    each of its strata. n_draws: parameter draws per family, carried into every probability. random_state: seed of the draws.

    Learned: groups_ (name -> HazardMixture), falls_ (as given), families_ (name -> most likely family), summary_ (DataFrame:
    group, level, family, weight, parameter, estimate, std_error, deaths, lives, exposure_years, aic), as_of_. Ages inside
    are in years. References: Klein and Moeschberger (2003), Survival Analysis, ch. 3; Burnham and Anderson (2002) on
    averaging by weights.
    """

    def __init__(
        self,
        families: Sequence[str] = ("exponential", "weibull", "lognormal", "piecewise"),
        prior_deaths: float = 1.0,
        stratum_deaths: float = 5.0,
        n_draws: int = 32,
        random_state: int = 0,
    ) -> None:
        self.families = families
        self.prior_deaths = prior_deaths
        self.stratum_deaths = stratum_deaths
        self.n_draws = n_draws
        self.random_state = random_state

    def fit(self, lives: pd.DataFrame, as_of: pd.Timestamp | str, falls: Falls = NONE) -> SuddenLife:
        """Learn from the lives as known on the as-of date (columns as given by `sensorhealth.health.lives`).

        falls: what is known of falls at once (`life.falls`); the ends that they brought are told by them and are no deaths.
        Raises FitError for an unknown family or unusable lives.
        """
        unknown = [name for name in self.families if name not in life_families()]
        if unknown or not self.families:
            known = ", ".join(life_families())
            raise FitError(f"no life family {', '.join(unknown) or '(none given)'}; choose from {known}")
        chosen = [life_families()[name] for name in self.families]
        rng = np.random.default_rng(self.random_state)
        lives = falls.spared(lives)
        data = life_data(lives, pd.Timestamp(as_of))
        technology = lives["technology"].to_numpy(dtype=object)
        stratum = lives["stratum"].to_numpy(dtype=object)
        groups: dict[str, HazardMixture] = {}
        levels: dict[str, str] = {}
        for name in sorted(set(technology)):
            rows = technology == name
            prior = technology_prior(technologies().get(name), self.prior_deaths, data.take(rows))
            groups[name] = fit_mixture(chosen, data.take(rows), prior, self.n_draws, rng)
            levels[name] = "technology"
            strata = sorted(set(stratum[rows]))
            for one in strata if len(strata) > 1 else []:
                inner = LevelPrior(groups[name].cumulative_hazard, prior.age, self.stratum_deaths, prior.log_shape)
                groups[one] = fit_mixture(chosen, data.take(stratum == one), inner, self.n_draws, rng)
                levels[one] = "stratum"
        others = data.take(~np.isin(technology, flat_technologies()))
        groups[POOLED] = fit_mixture(chosen, others, technology_prior(None, self.prior_deaths, others), self.n_draws, rng)
        levels[POOLED] = "pooled"
        self.groups_ = groups
        self.falls_ = falls
        self.as_of_ = pd.Timestamp(as_of)
        self.families_ = {name: mixed.likeliest for name, mixed in groups.items()}
        self.summary_ = _summary(groups, levels)
        return self

    @property
    def falls(self) -> Falls:
        """What is known of falls at once."""
        return self.falls_

    def survival(self, group: str, age_days: ArrayLike) -> Array:
        """Survival from new to the given ages in days, of a stratum, a technology, or else of all together."""
        return self.hazard_of(group).survival(np.asarray(age_days, dtype=float) / DAYS_PER_YEAR)

    def hazard_of(self, group: str) -> HazardMixture:
        """The fitted law (ages in years) of a stratum, a technology, or else of all together."""
        return self.groups_[group if group in self.groups_ else POOLED]

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: ArrayLike) -> Array:
        """Chance (n, m) of a sudden end within `days` (m,) of the as-of date of each life, given alive on it."""
        return conditional_cdf(self.groups_, lives, as_of, days)

    def draws(self, n: int, rng: np.random.Generator) -> list[SuddenDraw]:
        """n draws of the hazards and rates of falls that all sensors share, for counts over a fleet."""
        own = rng.spawn(1)[0]
        return [
            SuddenDraw({name: mixed.one_draw(rng) for name, mixed in self.groups_.items()}, self.falls_.draw(own))
            for _ in range(n)
        ]

    def data(self, lives: pd.DataFrame, group: str) -> LifeData:
        """The life data of a technology or stratum, as the fit saw them, for curves and checks."""
        rows = (lives["technology"] == group) | (lives["stratum"] == group)
        return life_data(self.falls_.spared(lives[rows]), self.as_of_)


def _summary(groups: dict[str, HazardMixture], levels: dict[str, str]) -> pd.DataFrame:
    rows = [
        {
            "group": name,
            "level": levels[name],
            "family": fit.family.name,
            "weight": weight,
            "parameter": parameter,
            "estimate": estimate,
            "std_error": error,
            "deaths": mixed.deaths,
            "lives": mixed.lives,
            "exposure_years": mixed.exposure_years,
            "aic": fit.aic,
        }
        for name, mixed in groups.items()
        for fit, weight in zip(mixed.fits, mixed.family_weights)
        for parameter, estimate, error in zip(fit.family.parameters, fit.natural, fit.std_errors)
    ]
    return pd.DataFrame(rows)
