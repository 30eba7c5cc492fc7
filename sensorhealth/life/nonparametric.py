"""Survival without a shape assumed: Kaplan-Meier, Turnbull, and rates by age, with truncation and censoring."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2, norm

from ..errors import FitError
from .lifedata import LifeData

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

# Ends of intervals at one age, in their order: the point itself, a right end (closed), a left end (open).
_EXACT, _END, _OPEN = 0, 1, 2


def kaplan_meier(data: LifeData, level: float = 0.95) -> pd.DataFrame:
    """Product-limit survival for exact deaths, right censoring and left truncation.

    Returns one row per age at death: age, at_risk, deaths, survival (just after), std_error (Greenwood), low, high
    (limits of the given level on the log-log scale), cumulative_hazard (Nelson-Aalen). A life is at risk after its
    entry, and one censored at an age of death still is at that age. Raises FitError for interval-censored deaths: use
    `turnbull`. Source: Klein and Moeschberger (2003), sections 4.2 to 4.6.
    """
    if (data.died & (data.lower < data.upper)).any():
        raise FitError("some deaths are known only within an interval: use turnbull() instead of kaplan_meier()")
    ages, where = np.unique(data.upper[data.died], return_inverse=True)
    deaths = np.bincount(where, data.weight[data.died], ages.size)
    at_risk = _weight_before(data.entry, data.weight, ages) - _weight_before(data.lower, data.weight, ages)
    survival = np.cumprod(1.0 - deaths / at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(deaths / (at_risk * (at_risk - deaths)))
        spread = norm.ppf(0.5 + level / 2) * np.sqrt(greenwood) / np.abs(np.log(survival))
        limits = [np.where(survival > 0, survival ** np.exp(sign * spread), 0.0) for sign in (1, -1)]
        error = np.where(survival > 0, survival * np.sqrt(greenwood), np.nan)
    return pd.DataFrame(
        {
            "age": ages,
            "at_risk": at_risk,
            "deaths": deaths,
            "survival": survival,
            "std_error": error,
            "low": limits[0],
            "high": limits[1],
            "cumulative_hazard": np.cumsum(deaths / at_risk),
        }
    )


def _weight_before(values: Array, weight: Array, ages: Array) -> Array:
    order = np.argsort(values)
    summed = np.concatenate([[0.0], np.cumsum(weight[order])])
    return np.asarray(summed[np.searchsorted(values[order], ages, side="left")])


def turnbull(data: LifeData, tolerance: float = 1e-10, max_iterations: int = 20_000) -> pd.DataFrame:
    """Maximum likelihood distribution without a shape, under every censoring and left truncation.

    Returns the innermost intervals that can carry mass, one row each: lower, upper (the death lies in (lower, upper],
    at `upper` exactly where the two are equal), mass, survival (after upper). Where inside an interval the mass lies
    the data do not tell. By self-consistency (an EM algorithm), stopped when no mass changes by more than the
    tolerance. Source: Turnbull (1974), J. Am. Stat. Assoc. 69, 169-173; (1976) J. R. Stat. Soc. B 38, 290-295;
    truncation bounds as in Frydman (1994), J. R. Stat. Soc. B 56, 71-74. Raises FitError without deaths or where it
    does not converge.
    """
    if data.deaths == 0:
        raise FitError("no deaths: there is no distribution to estimate")
    rows = _distinct(data)
    ages = np.unique(np.concatenate([[0.0], rows.entry, rows.lower, rows.upper]))
    left = 3 * np.searchsorted(ages, rows.lower) + np.where(rows.lower == rows.upper, _EXACT, _OPEN)
    right = 3 * np.searchsorted(ages, rows.upper) + _END
    entry = np.where(rows.entry > 0, 3 * np.searchsorted(ages, rows.entry) + _OPEN, 0)
    lower, upper = _innermost(left, np.concatenate([right, entry[rows.entry > 0] - _OPEN + _END]))
    bounds = np.searchsorted(lower, left), np.searchsorted(upper, right, side="right"), np.searchsorted(lower, entry)
    # every life sees a run of the innermost intervals, from where it enters on, and ended in a run of them
    begin, end, enters, weight = _runs(*bounds, rows.weight)
    mass = np.full(lower.size, 1.0 / lower.size)
    for _ in range(max_iterations):
        summed = np.concatenate([[0.0], np.cumsum(mass)])
        own = weight / (summed[end] - summed[begin])
        seen = weight / (summed[-1] - summed[enters])
        each = np.bincount(begin, own, lower.size + 1) - np.bincount(end, own, lower.size + 1)
        unseen = np.bincount(enters, seen, lower.size + 1)
        update = mass * (np.cumsum(each)[:-1] + unseen.sum() - np.cumsum(unseen)[:-1])
        update /= update.sum()
        change = np.abs(update - mass).max()
        mass = update
        if change < tolerance:
            break
    else:
        raise FitError(f"Turnbull's iteration still moves by {change:.1e} after {max_iterations} steps")
    table = pd.DataFrame({"lower": ages[lower // 3], "upper": ages[upper // 3], "mass": mass})
    table["survival"] = np.maximum(1.0 - table["mass"].cumsum(), 0.0)
    return table[table["mass"] > 1e-9].reset_index(drop=True)


def hazard_table(data: LifeData, edges: ArrayLike, level: float = 0.90) -> pd.DataFrame:
    """Deaths per exposure in bands of age, for the eye and for a first look at the hazard's shape.

    edges: (k + 1,) increasing ages. A death known only within an interval counts at its middle. Returns lower, upper,
    deaths, exposure, rate, low, high (exact Poisson limits of the given level: Garwood 1936, Biometrika 28, 437-442).
    """
    bounds = np.asarray(edges, dtype=float)
    died = data.died
    end = np.where(died, 0.5 * (data.lower + np.where(died, data.upper, 0.0)), data.lower)
    band = np.searchsorted(bounds, end[died], side="left") - 1
    inside = (band >= 0) & (band < bounds.size - 1)
    deaths = np.bincount(band[inside], data.weight[died][inside], bounds.size - 1)
    spent = np.minimum(end[:, None], bounds[1:]) - np.maximum(data.entry[:, None], bounds[:-1])
    exposure = data.weight @ np.maximum(spent, 0.0)
    tail = 0.5 * (1.0 - level)
    with np.errstate(divide="ignore", invalid="ignore"):
        low = np.where(deaths > 0, chi2.ppf(tail, 2 * np.maximum(deaths, 0.5)) / 2, 0.0) / exposure
        high = chi2.ppf(1 - tail, 2 * deaths + 2) / 2 / exposure
        rate = deaths / exposure
    return pd.DataFrame(
        {
            "lower": bounds[:-1],
            "upper": bounds[1:],
            "deaths": deaths,
            "exposure": exposure,
            "rate": rate,
            "low": low,
            "high": high,
        }
    )


def _distinct(data: LifeData) -> LifeData:
    """The same lives with equal ones counted together."""
    unique, where = np.unique(np.stack([data.entry, data.lower, data.upper]), axis=1, return_inverse=True)
    entry, lower, upper = unique
    return LifeData(entry, lower, upper, np.bincount(where.reshape(-1), data.weight, unique.shape[1]).astype(float))


def _innermost(left: Codes, right: Codes) -> tuple[Codes, Codes]:
    """Codes (k,) of the innermost intervals: a left end followed at once by a right end when all ends are sorted."""
    codes = np.unique(np.concatenate([left, right]))
    ends = codes % 3 == _END
    opens = np.flatnonzero(~ends[:-1] & ends[1:])
    return codes[opens], codes[opens + 1]


def _runs(begin: Codes, end: Codes, enters: Codes, weight: Array) -> tuple[Codes, Codes, Codes, Array]:
    """The same runs of intervals with lives that have them in common counted together."""
    unique, where = np.unique(np.stack([begin, end, enters]), axis=1, return_inverse=True)
    return unique[0], unique[1], unique[2], np.bincount(where.reshape(-1), weight, unique.shape[1]).astype(float)
