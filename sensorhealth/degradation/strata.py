"""One fitted stratum, and how it is fitted: curves, wander, tails, or what is given where readings are too few."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.choosing import CurveChoice, curve_grid, fit_curves
from sensorhealth.degradation.design import Stratum
from sensorhealth.degradation.effects import (
    CYLINDER,
    FADE,
    LOT_LEVEL,
    LOT_SLOPE,
    SESSION,
    STATED,
    PathPrior,
    Terms,
    terms,
)
from sensorhealth.degradation.fitting import Options, at_parameters
from sensorhealth.degradation.predicting import Component
from sensorhealth.degradation.reml_data import Method, Penalty, VarianceParameters
from sensorhealth.technologies import technologies

FEWEST_READINGS = 12
FEWEST_LIVES = 3  # with two readings or more, for variances to be estimated
SMALL = 1000  # lives below which variances are kept off zero by a weak penalty
USUAL_LEVEL, USUAL_LEVEL_SD = (
    0.7,
    0.5,
)  # ln headroom ratio of a new sensor: ratios of 1.5 to 3 (common practice, no source)
USUAL_RATE = 0.10  # per year, for a technology that the package does not know (assumption)
USUAL_NOISE, USUAL_SPREAD, USUAL_GAS = 0.03, 0.10, 0.03  # standard deviations in ln ratio (common practice, no source)


@dataclass(frozen=True)
class Settings:
    """The estimator's options, as the strata need them."""

    curves: str
    degrees: float | None
    wander: bool | None
    method: Method
    lots: bool
    sessions: bool
    fade: bool


@dataclass(frozen=True)
class StratumModel:
    """A fitted stratum: its readings, its mixture of components, the curves tried, the wander's gain, what to note."""

    stratum: Stratum
    components: tuple[Component, ...]
    curves: tuple[CurveChoice, ...]
    wander_gain: float
    given: bool  # variances were not estimated from this stratum's own readings


def fit_stratum(stratum: Stratum, settings: Settings, relatives: Mapping[str, StratumModel]) -> StratumModel:
    """Fit one stratum; `relatives` are fitted strata of the same technology that a small one borrows from."""
    found = terms(stratum, fade=settings.fade, sessions=settings.sessions, lots=settings.lots)
    repeated = int((stratum.counts > 1).sum())
    if stratum.age.size < FEWEST_READINGS or repeated < FEWEST_LIVES or not found.slope:
        return _given(stratum, found, settings, relatives)
    options = Options(
        method=settings.method,
        degrees=settings.degrees,
        penalty=Penalty() if stratum.life_id.size < SMALL else None,
    )
    choices, gain = fit_curves(stratum, found, options, settings.wander, curve_grid(settings.curves, stratum.oldest))
    kept = tuple(Component(stratum, item.fitted, item.weight) for item in choices if item.fitted is not None)
    return StratumModel(stratum, kept, tuple(choices), gain, False)


def _given(stratum: Stratum, found: Terms, settings: Settings, relatives: Mapping[str, StratumModel]) -> StratumModel:
    """A stratum whose readings are too few to tell variances: usual ones and a path prior."""
    grid = curve_grid(settings.curves, max(stratum.oldest, 1.0))
    curve = grid[0][0]
    rate = usual_rate(stratum.technology)
    full = Terms(
        True,
        "intercept+slope",
        found.fade,
        found.sessions,
        found.lots,
        PathPrior(USUAL_LEVEL, USUAL_LEVEL_SD, -rate, rate),
    )
    degrees = 8.0 if settings.degrees is None else settings.degrees
    fitted = at_parameters(stratum, curve, full, usual_variances(rate), degrees, settings.method, {})
    choice = CurveChoice(curve, 1.0, 1.0, 0.0, fitted)
    return StratumModel(stratum, (Component(stratum, fitted, 1.0),), (choice,), 0.0, True)


def usual_rate(technology: str) -> float:
    """Usual loss per year of a technology (an assumption stated with the technology)."""
    known = technologies().get(technology)
    return known.rate_per_year if known is not None else USUAL_RATE


def usual_variances(rate: float) -> VarianceParameters:
    """Variances before any reading: noise 3 %, sensors 10 % apart when new and half as fast or half as slow again."""
    crossed = {
        CYLINDER: USUAL_GAS**2, STATED: 1.0, FADE: (0.5 * USUAL_GAS) ** 2, SESSION: 0.01**2,
        LOT_LEVEL: (0.5 * USUAL_SPREAD) ** 2, LOT_SLOPE: (0.3 * rate) ** 2,
    }  # fmt: skip
    return VarianceParameters(USUAL_NOISE**2, np.diag([USUAL_SPREAD**2, (0.5 * rate) ** 2]), crossed)


def refit_at(model: StratumModel, stratum: Stratum, settings: Settings) -> StratumModel:
    """The same curves, weights and variances with other readings of the same stratum: no search, only solutions."""
    components = tuple(
        Component(
            stratum,
            at_parameters(
                stratum,
                item.fitted.curve,
                item.fitted.terms,
                item.fitted.parameters,
                item.fitted.degrees,
                settings.method,
                item.fitted.widths,
            ),
            item.weight,
        )
        for item in model.components
    )
    return StratumModel(stratum, components, model.curves, model.wander_gain, model.given)
