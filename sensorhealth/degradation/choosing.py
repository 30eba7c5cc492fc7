"""One stratum on all curves: which shapes its readings speak for, and with what weight."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve, Linear, candidates
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import Terms, crossed_data
from sensorhealth.degradation.fitting import CurveFit, Options, fit_curve

LEAST_WEIGHT = 0.01  # of a curve that stays in the average
MOST_CURVES = 5
FAR = 12.0  # deviance behind the best at the first look, beyond which a curve is not fitted
SUPPORT = 2.706  # deviance that a wander must gain: 5 % point of 1/2 chi2_0 + 1/2 chi2_1 (variance on its boundary)


@dataclass(frozen=True)
class CurveChoice:
    """A curve tried on a stratum: prior and posterior weight, deviance above the best; fitted: None if not kept."""

    curve: Curve
    prior: float
    weight: float
    delta_deviance: float
    fitted: CurveFit | None


def fit_curves(
    stratum: Stratum, terms: Terms, options: Options, wander: bool | None, grid: list[tuple[Curve, float]]
) -> tuple[list[CurveChoice], float]:
    """Fit a stratum on the curves of `grid` (curve, prior weight); wander None: keep it where the likelihood asks for
    it.

    Returns the curves by falling weight and the deviance gained by the wander (0 where it was not tried).
    """
    first = fit_curve(stratum, Linear(grid[0][0].reference), terms, replace(options, brownian=wander is True))
    gain = 0.0
    if wander is None and terms.slope and stratum.counts.max(initial=0) > 2:
        loose = fit_curve(stratum, first.curve, terms, replace(options, brownian=True), first)
        gain = first.deviance - loose.deviance
        first = loose if gain > SUPPORT else first
    options = replace(options, brownian=first.parameters.brownian > 0.0)
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


def _first_look(stratum: Stratum, curve: Curve, terms: Terms, first: CurveFit) -> float:
    """Deviance of a curve at the variances and the working response of another: what ranks, before any search."""
    layout = first.fit.criterion.layout.data
    data = crossed_data(stratum, curve, terms, first.widths)
    count = data.y.size
    assert layout.weights is not None
    data = replace(data, y=layout.y[:count], weights=layout.weights[:count])
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
        CurveChoice(grid[k][0], grid[k][1], float(weight[k]), float(delta[k]), tried[int(k)] if kept[k] else None)
        for k in order
    ]


def curve_grid(curves: str, oldest: float) -> list[tuple[Curve, float]]:
    """Curves to try for readings up to the age `oldest`: all ("average") or one family by its name."""
    grid = candidates(max(oldest, 0.1))
    if curves == "average":
        return grid
    chosen = [(curve, weight) for curve, weight in grid if curve.family == curves]
    total = sum(weight for _, weight in chosen)
    return [(curve, weight / total) for curve, weight in chosen]
