"""What is held of each cylinder before its readings speak: ordinary gas, and the few that are odd or fade.

Most cylinders are near their label and keep; a few are far off, and of a reactive gas some fade. One normal for all of them
would be as wide as these few make it, hold back too little of the others, and book what the bad ones have in common (gas is
lost, not gained) as the sensors' ageing. So bias and fade are mixtures of two normals each (kernel: gas_sites.py), and every
cylinder has the normal that stands for them, with a mean of its own: that is what the crossed model's classes start from.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.design import GasPrior, Stratum
from sensorhealth.degradation.effects import CYLINDER, FADE, STATED, USUAL_BIAS, USUAL_FADE, USUAL_GAS, at_columns
from sensorhealth.degradation.fitting import CurveFit
from sensorhealth.degradation.gas_sites import Mixture, Site, first_site, moved, revised
from sensorhealth.degradation.reml_data import CrossedClass, Method
from sensorhealth.health.two_groups import SHARE, WIDE

FADING = 0.15  # share of the cylinders of a reactive gas that fade noticeably (common practice, no source)
FADING_MEAN, FADING_SD = -0.18, 0.11  # ln ratio per year: anything up to 3 % a month (common practice, no source)
PASSES = 6  # over all cylinders, at most
ENOUGH = 0.02  # largest move of a site's mean (its standard deviations) or spread (relative) at which they rest


def with_gas_prior(stratum: Stratum, fitted: CurveFit, method: Method) -> tuple[Stratum, CurveFit]:
    """The stratum with the prior of each of its cylinders, and a start for its fit with these.

    fitted: on the same readings without any gas prior; its variances but those of the gas are held to.
    """
    data, parameters, fit = fitted.layout.data, fitted.parameters, fitted.fit
    classes = {item.name: item for item in data.classes if item.name in (STATED, CYLINDER, FADE) and item.size}
    if not classes:
        return stratum, fitted
    mixtures = {name: mixture_of(stratum, item) for name, item in classes.items()}
    sites = {name: first_site(mixture, parameters.crossed[name]) for name, mixture in mixtures.items()}
    for _ in range(PASSES):
        before, sites = sites, {name: revised(mixtures[name], site, *fit.crossed[name]) for name, site in sites.items()}
        y = data.y.copy()
        for name, item in classes.items():
            y -= at_columns(sites[name].mean, item.index) * (1.0 if item.value is None else item.value)
        scales = {name: site.width for name, site in sites.items()}
        effects = tuple(replace(item, scale=scales.get(item.name, item.scale)) for item in data.classes)
        crossed = parameters.crossed | {name: site.ordinary for name, site in sites.items()}
        parameters = replace(parameters, crossed=crossed)
        fit = reml.solve(fitted.layout.with_times(replace(data, y=y, classes=effects)), parameters, method)
        if max(moved(before[name], site) for name, site in sites.items()) < ENOUGH:
            break
    return replace(stratum, gas_prior=gas_prior(stratum, mixtures, sites)), replace(fitted, fit=fit)


def mixture_of(stratum: Stratum, item: CrossedClass) -> Mixture:
    """The mixture that one class of cylinder effects comes from."""
    unit = np.ones(item.size) if item.scale is None else item.scale
    if item.name == FADE:
        return Mixture(unit, USUAL_FADE**2, FADING, FADING_MEAN, np.full(item.size, FADING_SD), unit > 0.0)
    stated = int(np.isfinite(stratum.tolerance).sum())
    known = stated if item.name == STATED else stratum.tolerance.size - stated
    own = np.arange(item.size) < known  # those that are not on record come behind, as ordinary ones
    tolerance = np.sqrt(3.0) * unit if item.name == STATED else np.zeros(item.size)
    usual = USUAL_BIAS if item.name == STATED else USUAL_GAS
    return Mixture(unit, usual**2, SHARE, 0.0, np.maximum(WIDE, 2.0 * tolerance), own)


def gas_prior(stratum: Stratum, mixtures: Mapping[str, Mixture], sites: Mapping[str, Site]) -> GasPrior:
    """The sites by cylinder (C,)."""
    size = stratum.tolerance.size
    found = GasPrior(np.zeros(size), np.ones(size), np.zeros(size), np.ones(size))
    stated = np.isfinite(stratum.tolerance)
    for name, mask in ((STATED, stated), (CYLINDER, ~stated), (FADE, np.ones(size, dtype=bool))):
        if name in sites:
            mean, width = (found.fade_mean, found.fade_width) if name == FADE else (found.bias_mean, found.bias_width)
            known = int(mask.sum())
            mean[mask], width[mask] = sites[name].mean[:known], (sites[name].width / mixtures[name].unit)[:known]
    return found


def grown(prior: GasPrior | None, size: int) -> GasPrior | None:
    """The prior for `size` cylinders, of which the further ones are taken as ordinary until the next fit."""
    if prior is None:
        return None
    zero, one = np.zeros(size - prior.bias_mean.size), np.ones(size - prior.bias_mean.size)
    return GasPrior(
        np.append(prior.bias_mean, zero), np.append(prior.bias_width, one),
        np.append(prior.fade_mean, zero), np.append(prior.fade_width, one),
    )  # fmt: skip
