"""Very large kinds: curve, tails and variances from a random part of the lives, then all lives at these.

A thousand sensors tell the variances and the shape of a kind's ageing as well as anyone can use them; what each of the others has
done, and every cylinder, day and lot they met, enters their posteriors all the same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

import numpy as np

from sensorhealth.degradation.all_lives import ROUGHLY, AllFit, SharedFit, fit_all
from sensorhealth.degradation.all_predicting import AllLives
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import Stratum
from sensorhealth.degradation.effects import CYLINDER, FADE, STATED, Terms
from sensorhealth.degradation.fitting import CurveFit
from sensorhealth.degradation.gas import PASSES, gas_prior, mixture_of
from sensorhealth.degradation.gas_sites import Mixture, Site, first_site, revised
from sensorhealth.degradation.part import take_lives
from sensorhealth.degradation.predicting import Component
from sensorhealth.degradation.reml_data import VarianceParameters
from sensorhealth.degradation.surprises import find_surprises

if TYPE_CHECKING:
    from sensorhealth.degradation.strata import StratumModel


def _as_white(fitted: CurveFit) -> CurveFit:
    """The fit; where readings wiggle about their paths, as if their noise were white and told the paths about as little."""
    wiggle, known = fitted.terms.wiggle, fitted.parameters
    if wiggle is None:
        return fitted
    variances = replace(known, residual=wiggle.worth * known.residual, returning=0.0)
    white = replace(fitted.terms, wiggle=None)
    return cast(CurveFit, Taught(fitted.curve, white, variances, fitted.degrees, cast(SharedFit, fitted.fit)))


def with_all_lives(part: StratumModel, bare: Stratum, *, elsewhere: bool = False) -> StratumModel:
    """The model `part`, fitted on a part of the lives of `bare`, for all of them.

    elsewhere: fitted on other lives of the kind; what these said of the common path then enters as well.
    """
    modes = part.modes
    likeliest = max(modes, key=lambda item: item.weight)
    fitted = _as_white(cast(CurveFit, likeliest.fitted))
    terms = replace(fitted.terms, doubt=None, own_break_in=False)
    seen = fit_all(bare, fitted, terms, elsewhere=elsewhere, tolerance=ROUGHLY)
    stratum, doubt, _ = find_surprises(bare, cast(CurveFit, seen), part.surprises, np.inf)
    terms = replace(terms, doubt=doubt)
    if part.stratum.gas_prior is not None:
        stratum, seen = _with_gas(stratum, fitted, terms, seen, elsewhere)
    found: list[Component] = []
    for item in modes:
        own = _as_white(cast(CurveFit, item.fitted))
        here = fit_all(stratum, own, replace(own.terms, doubt=doubt, own_break_in=False), seen, elsewhere=elsewhere)
        found.append(AllLives(stratum, cast(CurveFit, here), item.weight, item.share))
    remark = (
        f"{bare.name}: curves, tails and variances are those of a random part of {int((part.stratum.counts > 0).sum())} of "
        f"{int((bare.counts > 0).sum())} sensors; all readings of all sensors are in their forecasts"
    )
    return replace(
        part, bare=bare, stratum=stratum, modes=tuple(found), components=tuple(found), part=part,
        remarks=(*part.remarks, remark),
    )  # fmt: skip


@dataclass(frozen=True)
class Taught:
    """What other lives are told of a fit: all of it that `with_all_lives` reads, without the readings it was made on."""

    curve: Curve
    terms: Terms
    parameters: VarianceParameters
    degrees: float
    fit: SharedFit


def taught(model: StratumModel) -> StratumModel:
    """The model without its lives and their readings; one whose variances were given as it is, for it is small."""
    if model.given:
        return model
    none = np.zeros(0, dtype=np.int64)
    modes = []
    for item in model.modes:
        own = cast(CurveFit, item.fitted)
        fit = SharedFit(own.fit.beta, own.fit.beta_covariance, {}, np.zeros(0))
        told = Taught(own.curve, replace(own.terms, doubt=None), own.parameters, own.degrees, fit)
        modes.append(replace(item, stratum=take_lives(item.stratum, none), fitted=cast(CurveFit, told)))
    return replace(
        model, bare=take_lives(model.bare, none),
        stratum=replace(take_lives(model.stratum, none), gas_prior=model.stratum.gas_prior),
        modes=tuple(modes), components=tuple(modes), curves=tuple(replace(item, fitted=None) for item in model.curves), part=None,
    )  # fmt: skip


def _with_gas(stratum: Stratum, part: CurveFit, terms: Terms, seen: AllFit, elsewhere: bool) -> tuple[Stratum, AllFit]:
    """The stratum with the prior of each cylinder, learnt as for a kind fitted in full (`gas.with_gas_prior`), and a start for
    its fits with it."""
    classes = {item.name: item for item in seen.base.classes if item.name in (STATED, CYLINDER, FADE) and item.size}
    mixtures: Mapping[str, Mixture] = {name: mixture_of(stratum, item) for name, item in classes.items()}
    sites: dict[str, Site] = {name: first_site(mixture, part.parameters.crossed[name]) for name, mixture in mixtures.items()}
    for number in range(PASSES // 2):
        if number:
            seen = fit_all(stratum, part, terms, seen, elsewhere=elsewhere, tolerance=ROUGHLY)
        sites = {name: revised(mixtures[name], site, *seen.fit.crossed[name]) for name, site in sites.items()}
        stratum = replace(stratum, gas_prior=gas_prior(stratum, mixtures, sites))
    return stratum, seen
