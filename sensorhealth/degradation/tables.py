"""The fitted strata as tables: residuals, cylinders, sessions, lots, fixed effects, variances, curves."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sensorhealth.degradation.choosing import CurveChoice
from sensorhealth.degradation.design import FloatArray, IntArray, Stratum
from sensorhealth.degradation.effects import BREAK_IN, CYLINDER, FADE, LOT_LEVEL, LOT_SLOPE, SESSION, STATED
from sensorhealth.degradation.fitting import class_effects
from sensorhealth.degradation.mixture import moments
from sensorhealth.degradation.predicting import Component

DAYS = 365.25


def _mixed(components: tuple[Component, ...], parts: list[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of one effect over the components."""
    weight = np.array([item.weight for item in components])
    return moments(weight, np.stack([mean for mean, _ in parts]), np.stack([variance for _, variance in parts]))


def _shared(components: tuple[Component, ...], name: str, size: int) -> tuple[FloatArray, FloatArray]:
    """Mean and variance (size,) of one class's effects, zeros where the model has no such class."""
    none = np.zeros(size), np.zeros(size)
    return _mixed(components, [item.fitted.fit.crossed.get(name, none) for item in components])


def residual_table(stratum: Stratum, components: tuple[Component, ...]) -> pd.DataFrame:
    """One row per reading used: what the model says of it. `position` is that in the readings frame.

    standardised: the reading less what all other readings say of it, in units of that difference's standard deviation
    (leave-one-out, from the leverage); residual_sd: the unit of `residual` on the same scale. NaN where censored.
    """
    weight = np.array([item.weight for item in components])
    fitted, spread = moments(
        weight,
        np.stack([item.fitted.mean for item in components]),
        np.stack([item.fitted.variance for item in components]),
    )
    noise = sum(item.weight * item.fitted.parameters.residual for item in components)
    robust = weight @ np.stack([item.fitted.sites.weight for item in components])
    leverage = np.minimum(robust * spread / noise, 1.0 - 1e-6)
    unit = (1.0 - leverage) * np.sqrt(noise + spread / (1.0 - leverage))
    residual = stratum.y - fitted
    gas = weight @ np.stack([class_effects(item.fitted, (STATED, CYLINDER, FADE)) for item in components]) + stratum.gas_mean
    session = weight @ np.stack([class_effects(item.fitted, (SESSION,)) for item in components])
    return pd.DataFrame(
        {
            "position": stratum.row, "life_id": stratum.life_id[stratum.life], "stratum": stratum.name,
            "log_ratio": stratum.y, "fitted": fitted, "gas_effect": gas, "session_effect": session,
            "residual": residual, "residual_sd": unit, "weight": robust,
            "standardised": np.where(stratum.censoring == 0, residual / unit, np.nan),
        }
    )  # fmt: skip


def _counts(index: IntArray, life: IntArray, size: int) -> tuple[IntArray, IntArray]:
    """Sensors and readings on each column (size,)."""
    used = index >= 0
    lives = int(life.max(initial=0)) + 1
    pairs = pd.unique(index[used] * lives + life[used])
    return np.bincount(pairs // lives, minlength=size), np.bincount(index[used], minlength=size)


def cylinder_table(stratum: Stratum, components: tuple[Component, ...]) -> pd.DataFrame:
    """One row per cylinder: bias ln(true / label) when opened and fade per year, with errors and their correlation."""
    size = stratum.cylinders.size
    pairs = [_cylinder_moments(stratum, item) for item in components]
    bias, bias_variance = _mixed(components, [(p["bias"], p["bias_variance"]) for p in pairs])
    fade, fade_variance = _mixed(components, [(p["fade"], p["fade_variance"]) for p in pairs])
    covariance = sum(item.weight * p["covariance"] for item, p in zip(components, pairs))
    both = np.sqrt(bias_variance * fade_variance)
    prior = stratum.gas_prior
    sensors, readings = _counts(stratum.cylinder, stratum.life, size)
    last = np.zeros(size)
    used = stratum.cylinder >= 0
    np.maximum.at(last, stratum.cylinder[used], stratum.opened[used] * DAYS)
    return pd.DataFrame(
        {
            "cylinder_id": stratum.cylinders, "gas": stratum.gas, "stratum": stratum.name,
            "bias": bias, "bias_sd": np.sqrt(bias_variance), "fade_per_year": fade, "fade_sd": np.sqrt(fade_variance),
            "correlation": np.divide(covariance, both, out=np.zeros(size), where=both > 0),
            "sensors": sensors, "readings": readings, "last_used_days": last,
            "prior_mean": np.zeros(size) if prior is None else prior.bias_mean,
            "prior_sd": np.sqrt(sum(item.weight * p["prior"] for item, p in zip(components, pairs))),
            "fade_prior_mean": np.zeros(size) if prior is None else prior.fade_mean,
            "fade_prior_sd": np.sqrt(sum(item.weight * p["fade_prior"] for item, p in zip(components, pairs))),
        }
    )  # fmt: skip


def _cylinder_moments(stratum: Stratum, component: Component) -> dict[str, FloatArray]:
    """Bias and fade of each cylinder (C,) under one component: means, variances, covariance, prior variance of the
    bias.
    """
    size, fit = stratum.cylinders.size, component.fitted.fit
    found = {
        key: np.zeros(size) for key in ("bias", "bias_variance", "fade", "fade_variance", "covariance", "prior", "fade_prior")
    }
    stated = np.isfinite(stratum.tolerance)
    classes = {item.name: item for item in component.fitted.base.classes}
    everyone = np.arange(size)
    if FADE in classes:
        scale = classes[FADE].scale
        found["fade_prior"] += component.fitted.parameters.crossed[FADE] * (1.0 if scale is None else scale**2)
        found["fade"], found["fade_variance"] = (part.copy() for part in fit.crossed[FADE])
    for name, mask in ((STATED, stated), (CYLINDER, ~stated)):
        if name in classes:
            known = int(mask.sum())  # cylinders not on record come behind
            scale = classes[name].scale
            found["bias"][mask], found["bias_variance"][mask] = (part[:known] for part in fit.crossed[name])
            found["prior"][mask] = component.fitted.parameters.crossed[name] * (1.0 if scale is None else scale[:known] ** 2)
            if FADE in classes:
                own = np.arange(int(mask.sum()))
                found["covariance"][mask] = fit.crossed_covariance(name, own, FADE, everyone[mask])
    if stratum.gas_prior is not None:
        found["bias"] += stratum.gas_prior.bias_mean
        found["fade"] += stratum.gas_prior.fade_mean
    return found


def session_table(stratum: Stratum, components: tuple[Component, ...]) -> pd.DataFrame:
    """One row per session with its shared effect."""
    effect, variance = _shared(components, SESSION, stratum.sessions.size)
    sensors, readings = _counts(stratum.session, stratum.life, stratum.sessions.size)
    return pd.DataFrame(
        {
            "session": stratum.sessions, "stratum": stratum.name, "effect": effect, "sd": np.sqrt(variance),
            "sensors": sensors, "readings": readings,
        }
    )  # fmt: skip


def lot_table(stratum: Stratum, components: tuple[Component, ...]) -> pd.DataFrame:
    """One row per lot: level and slope against the stratum's mean, shrunken; slopes per year at mean speed."""
    level = _shared(components, LOT_LEVEL, stratum.lots.size)
    slope = _shared(components, LOT_SLOPE, stratum.lots.size)
    known = stratum.lot >= 0
    return pd.DataFrame(
        {
            "lot": stratum.lots, "stratum": stratum.name, "level": level[0], "level_sd": np.sqrt(level[1]),
            "slope": slope[0], "slope_sd": np.sqrt(slope[1]),
            "sensors": np.bincount(stratum.lot[known], minlength=stratum.lots.size),
        }
    )  # fmt: skip


def fixed_table(stratum: Stratum, components: tuple[Component, ...]) -> pd.DataFrame:
    """Fixed effects of a stratum: level at birth, slope per year, one line per covariate."""
    terms = components[0].fitted.terms
    names = ["level", *(["slope"] if terms.slope else []), *([BREAK_IN] if terms.break_in else []), *stratum.covariate_names]
    value, variance = _mixed(
        components, [(item.fitted.fit.beta, np.diag(item.fitted.fit.beta_covariance)) for item in components]
    )
    return pd.DataFrame({"stratum": stratum.name, "effect": names, "estimate": value, "std_error": np.sqrt(variance)})


def variance_table(stratum: Stratum, components: tuple[Component, ...]) -> pd.DataFrame:
    """Variance parameters of a stratum, averaged over its components (all in ln ratio; slopes per year)."""
    rows: dict[str, float] = {}
    for item in components:
        found = item.fitted.parameters
        wiggle = {"wiggle": found.returning} if found.returning > 0.0 else {}
        parts = {
            "noise": found.residual, "sensor level": found.sensor[0, 0], "sensor slope": found.sensor[1, 1],
            "sensor covariance": found.sensor[0, 1], "wander per year": found.brownian, **wiggle, **found.crossed,
        }  # fmt: skip
        for name, value in parts.items():
            rows[name] = rows.get(name, 0.0) + item.weight * float(value)
    inverse = sum(item.weight / item.fitted.degrees for item in components)
    degrees = 1.0 / inverse if inverse > 0.0 else np.inf
    table = pd.DataFrame({"stratum": stratum.name, "parameter": list(rows), "variance": list(rows.values())})
    return table.assign(degrees=np.where(table["parameter"] == "noise", degrees, np.nan))


def curve_table(stratum: Stratum, choices: list[CurveChoice]) -> pd.DataFrame:
    """Curves tried on a stratum with their evidence."""
    return pd.DataFrame(
        {
            "stratum": stratum.name, "curve": [item.curve.family for item in choices],
            "parameter": [item.curve.parameter for item in choices], "prior": [item.prior for item in choices],
            "weight": [item.weight for item in choices], "delta_deviance": [item.delta_deviance for item in choices],
        }
    )  # fmt: skip


def none(*names: str) -> pd.DataFrame:
    """The answer to no question: columns without rows."""
    return pd.DataFrame({name: pd.Series(dtype=object if name == "life_id" else float) for name in names})


def stacked(frames: list[pd.DataFrame], *, ignore_index: bool = True) -> pd.DataFrame:
    """The frames below one another, those without rows left out."""
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled or frames[:1], ignore_index=ignore_index)
