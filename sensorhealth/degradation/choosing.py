"""One stratum on all curves: which shapes its readings speak for, and with what weight."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve, candidates
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import SESSION, Terms, crossed_data
from sensorhealth.degradation.fitting import CurveFit, Options, class_effects, fit_curve
from sensorhealth.degradation.robust import choose_degrees

LEAST_WEIGHT = 0.01  # of a curve that stays in the average
MOST_CURVES = 5
FAR = 12.0  # deviance behind the best at the first look, beyond which a curve is not fitted
WANDERS = (0.003, 0.03)  # of the noise's variance, gathered between two readings, tried first
SUPPORT = 2.706  # deviance that a wander must gain: 5 % point of 1/2 chi2_0 + 1/2 chi2_1 (variance on its boundary)


@dataclass(frozen=True)
class CurveChoice:
    """A curve tried on a stratum: prior and posterior weight, deviance above the best; fitted: None if not kept."""

    curve: Curve
    prior: float
    weight: float
    delta_deviance: float
    fitted: CurveFit | None


def first_fit(stratum: Stratum, curve: Curve, terms: Terms, options: Options, degrees: float | None) -> CurveFit:
    """A stratum on one curve, with the noise's degrees of freedom chosen by likelihood where `degrees` is None."""
    plain = fit_curve(stratum, curve, terms, replace(options, degrees=np.inf if degrees is None else degrees))
    if degrees is not None:
        return plain
    noise = plain.parameters.residual
    wanted = choose_degrees(plain.sites, plain.base.y, stratum.censoring == 0, plain.mean, plain.variance, noise)
    if np.isinf(wanted):
        return plain
    tailed = fit_curve(stratum, curve, terms, replace(options, degrees=wanted), plain)
    return tailed if tailed.deviance < plain.deviance else plain


def fit_curves(
    stratum: Stratum,
    terms: Terms,
    options: Options,
    ask_wander: bool,
    grid: list[tuple[Curve, float]],
    first: CurveFit,
) -> tuple[list[CurveChoice], float]:
    """Fit a stratum on the curves of `grid` (curve, prior weight), starting from the fit `first` on one of them.

    ask_wander: add a wander where the likelihood asks for it. Returns the curves by falling weight and the deviance
    gained by the wander (0 where it was not asked).
    """
    gain = 0.0
    if ask_wander and wander_helps(first):
        loose = fit_curve(stratum, first.curve, terms, replace(options, brownian=True), first)
        gain = first.deviance - loose.deviance
        if gain > SUPPORT:
            first, options = loose, replace(options, brownian=True)
    look = np.array([_first_look(stratum, curve, terms, first) for curve, _ in grid])
    look = look - look.min()
    prior = np.array([weight for _, weight in grid])
    score = look - 2.0 * np.log(prior)
    close = np.flatnonzero((look < FAR) & (np.argsort(np.argsort(score)) < MOST_CURVES + 2))
    tried: dict[int, CurveFit] = {}
    for k in close.tolist():
        curve = grid[k][0]
        tried[k] = first if curve == first.curve else fit_curve(stratum, curve, terms, options, first)
    deviance = look + min(item.deviance for item in tried.values())
    for k, item in tried.items():
        deviance[k] = item.deviance
    return _weigh(grid, deviance, tried), gain


def wander_helps(first: CurveFit) -> bool:
    """Whether any wander makes a fit without one likelier, all else as it is: a first look before a search for it."""
    data = first.fit.criterion.layout.data
    span = max(float(np.median(np.diff(data.g)[np.diff(data.g) > 0.0])) if data.g.size > 1 else 1.0, 1e-9)
    plain = first.parameters
    before = reml.deviance(data, plain, "ML")
    tries = [replace(plain, brownian=share * plain.residual / span) for share in WANDERS]
    return any(reml.deviance(data, item, "ML") < before for item in tries)


def _first_look(stratum: Stratum, curve: Curve, terms: Terms, first: CurveFit) -> float:
    """Deviance of a curve at the variances and stand-ins of another: what ranks the curves before any search.

    Sessions are taken off as the other curve has them, which saves most of the work and changes little.
    """
    data = crossed_data(stratum, curve, replace(terms, sessions=False))
    response = first.sites.response - class_effects(first, (SESSION,))
    data = replace(data, y=response, weights=first.sites.weight)
    return reml.deviance(data, first.parameters, "ML")


def _weigh(grid: list[tuple[Curve, float]], deviance: FloatArray, tried: dict[int, CurveFit]) -> list[CurveChoice]:
    """Weights prior * exp(-deviance / 2), those under 1 % cut, the rest brought back to a sum of one."""
    delta = deviance - min(deviance[k] for k in tried)
    prior = np.array([weight for _, weight in grid])
    raw = np.where([k in tried for k in range(len(grid))], prior * np.exp(-0.5 * delta), 0.0)
    raw /= raw.sum()
    best = np.argsort(-raw)[:MOST_CURVES]
    kept = np.zeros(len(grid), dtype=bool)
    kept[best] = raw[best] >= min(LEAST_WEIGHT, raw.max())
    weight = np.where(kept, raw, 0.0)
    weight /= weight.sum()
    order = np.lexsort((delta, -weight))
    return [
        CurveChoice(grid[k][0], grid[k][1], float(weight[k]), float(delta[k]), tried[int(k)] if kept[k] else None) for k in order
    ]


def curve_grid(curves: str, oldest: float) -> list[tuple[Curve, float]]:
    """Curves to try for readings up to the age `oldest`: all ("average") or one family by its name."""
    grid = candidates(max(oldest, 0.1))
    if curves == "average":
        return grid
    chosen = [(curve, weight) for curve, weight in grid if curve.family == curves]
    total = sum(weight for _, weight in chosen)
    return [(curve, weight / total) for curve, weight in chosen]
