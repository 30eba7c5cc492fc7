"""What is held of each cylinder before its readings speak: ordinary gas, and the few that are odd or fade.

    bias_k ~ (1 - odd) N(0, ordinary_k^2) + odd N(0, wide_k^2)
    fade_k ~ (1 - fading) N(0, ordinary^2) + fading N(FADING_MEAN, FADING_SD^2)       reactive gases only

The mixed model has one normal for each effect. It is found by expectation propagation (Minka 2001): the rest of the readings
say N(cavity mean, cavity variance) of the effect; the normal that has the mixture's posterior mean, shrinking as much as the
mixture does on average, takes the mixture's place. How large ordinary effects are and how many are odd is learnt on the
way by EM, with what is believed beforehand as so many pseudo-observations. A single normal for all would be as wide as the
few bad ones make it, hold back too little of the ordinary ones, and book what the bad ones have in common as the sensors'.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation import reml
from sensorhealth.degradation.design import FloatArray, GasPrior, Stratum
from sensorhealth.degradation.effects import CYLINDER, FADE, STATED, USUAL_BIAS, USUAL_FADE, at_columns
from sensorhealth.degradation.fitting import CurveFit
from sensorhealth.degradation.reml_data import Method
from sensorhealth.health.two_groups import ORDINARY_WEIGHT, SHARE, SHARE_WEIGHT, WIDE

BoolArray = NDArray[np.bool_]
FADING = 0.15  # share of the cylinders of a reactive gas that fade noticeably (common practice, no source)
FADING_MEAN, FADING_SD = -0.18, 0.11  # per year: nil to 3 % a month, evenly (common practice, no source)
PASSES = 6  # over all cylinders
STEPS = 20  # of EM in each
LEAST = 1e-3  # ordinary standard deviation that is never gone below, in units of what is believed beforehand


@dataclass(frozen=True)
class _Mixture:
    """Two normals for each effect (C,) and what is believed of them. usual: ordinary variance in units of `unit`^2."""

    unit: FloatArray
    usual: float
    share: float
    centre: float
    wide: FloatArray
    own: BoolArray


@dataclass(frozen=True)
class _Site:
    """The normal in the mixture's place, (C,): mean and variance; ordinary variance in units of `unit`^2; share of odd ones."""

    mean: FloatArray
    variance: FloatArray
    ordinary: float
    share: float


def with_gas_prior(stratum: Stratum, fitted: CurveFit, method: Method) -> tuple[Stratum, CurveFit]:
    """The stratum with the prior of each of its cylinders, and a start for its fit with these."""
    data, parameters = fitted.layout.data, fitted.parameters
    classes = {item.name: item for item in data.classes if item.name in (STATED, CYLINDER, FADE) and item.size}
    if not classes:
        return stratum, fitted
    mixtures = {name: _mixture(stratum, name, item.scale, item.size) for name, item in classes.items()}
    sites = {
        name: _Site(np.zeros(item.size), parameters.crossed[name] * mixtures[name].unit ** 2, parameters.crossed[name],
                    mixtures[name].share)
        for name, item in classes.items()
    }  # fmt: skip
    fit = fitted.fit
    for _ in range(PASSES):
        sites = {name: _revised(mixtures[name], site, *fit.crossed[name]) for name, site in sites.items()}
        y = data.y.copy()
        for name, item in classes.items():
            y -= at_columns(sites[name].mean, item.index) * (1.0 if item.value is None else item.value)
        scales = {name: np.sqrt(site.variance / site.ordinary) for name, site in sites.items()}
        effects = tuple(replace(item, scale=scales.get(item.name, item.scale)) for item in data.classes)
        ordinary = {name: site.ordinary for name, site in sites.items()}
        parameters = replace(parameters, crossed={**parameters.crossed, **ordinary})
        fit = reml.solve(reml.lay_out(replace(data, y=y, classes=effects)), parameters, method)
    return replace(stratum, gas_prior=_prior(stratum, mixtures, sites)), replace(fitted, fit=fit)


def _mixture(stratum: Stratum, name: str, scale: FloatArray | None, size: int) -> _Mixture:
    unit = np.ones(size) if scale is None else scale
    stated = int(np.isfinite(stratum.tolerance).sum())
    known = {STATED: stated, CYLINDER: stratum.tolerance.size - stated, FADE: size}[name]
    own = np.arange(size) < known
    if name == FADE:
        return _Mixture(unit, USUAL_FADE**2, FADING, FADING_MEAN, np.full(size, FADING_SD), own)
    if name == STATED:
        return _Mixture(unit, USUAL_BIAS**2, SHARE, 0.0, np.maximum(WIDE, 2.0 * np.sqrt(3.0) * unit), own)
    return _Mixture(unit, 0.03**2, SHARE, 0.0, np.full(size, WIDE), own)


def _revised(mixture: _Mixture, site: _Site, deviation: FloatArray, variance: FloatArray) -> _Site:
    """A site from the effects' posterior (C,) (deviation from the present site's mean, variance)."""
    told = mixture.own & (variance < site.variance * (1.0 - 1e-6))
    with np.errstate(divide="ignore", invalid="ignore"):
        cavity = np.where(told, 1.0 / (1.0 / variance - 1.0 / site.variance), np.inf)
        value = np.where(told, site.mean + deviation * cavity / variance, 0.0)
    ordinary, share, count = site.ordinary, site.share, int(told.sum())
    sampling = np.where(told, cavity, 1.0)
    for _ in range(STEPS):
        prior = np.stack([ordinary * mixture.unit**2, mixture.wide**2])
        off = np.stack([value, value - mixture.centre])
        total = prior + sampling
        log = np.log([[1.0 - share], [share]]) - np.where(told, 0.5 * (np.log(total) + off**2 / total), 0.0)
        weight = np.exp(log - log.max(axis=0))
        weight /= weight.sum(axis=0)
        gain = np.where(told, prior / total, 1.0)
        square = ((gain[0] * off[0]) ** 2 + gain[0] * sampling) / mixture.unit**2
        sure = np.where(told, weight[0], 0.0)
        ordinary = float((sure @ square + ORDINARY_WEIGHT * mixture.usual) / (sure.sum() + ORDINARY_WEIGHT))
        ordinary = max(ordinary, LEAST**2 * mixture.usual)
        share = (float(weight[1][told].sum()) + SHARE_WEIGHT * mixture.share) / (count + SHARE_WEIGHT)
    place = np.array([[0.0], [mixture.centre]])
    each = place + np.where(told, gain * off, 0.0)
    mean = (weight * each).sum(axis=0)
    tilted = (weight * (gain * np.where(told, sampling, prior) + (each - mean) ** 2)).sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        precision = np.maximum(1.0 / tilted - np.where(told, 1.0 / sampling, 0.0), 1.0 / (weight * prior).sum(axis=0))
        width = 1.0 / precision
    centre = np.where(told, (mean * (width + sampling) - value * width) / sampling, mean)
    usual = ordinary * mixture.unit**2
    return _Site(np.where(mixture.own, centre, 0.0), np.where(mixture.own, np.maximum(width, usual), usual), ordinary, share)


def _prior(stratum: Stratum, mixtures: Mapping[str, _Mixture], sites: Mapping[str, _Site]) -> GasPrior:
    """The sites by cylinder (C,); those of gas that is not on record are left as they are."""
    size = stratum.tolerance.size
    found = GasPrior(np.zeros(size), np.ones(size), np.zeros(size), np.ones(size))
    stated = np.isfinite(stratum.tolerance)
    for name, mask in ((STATED, stated), (CYLINDER, ~stated), (FADE, np.ones(size, dtype=bool))):
        if name in sites:
            site, known = sites[name], int(mask.sum())
            width = np.sqrt(site.variance / site.ordinary) / mixtures[name].unit
            mean, factor = (found.fade_mean, found.fade_width) if name == FADE else (found.bias_mean, found.bias_width)
            mean[mask], factor[mask] = site.mean[:known], width[:known]
    return found
