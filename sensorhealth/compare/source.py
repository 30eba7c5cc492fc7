"""What a comparison needs of a fitted ageing model, one stratum at a time."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.compare.groups import MOST_FIXED, Grouped, fit_groups
from sensorhealth.compare.subset import draw_sensors, only_sensors
from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import Stratum, codes
from sensorhealth.degradation.fitting import CurveFit
from sensorhealth.degradation.reml_data import CrossedData, VarianceParameters
from sensorhealth.degradation.strata import StratumModel
from sensorhealth.errors import FitError

IntArray = NDArray[np.int64]
ObjectArray = NDArray[np.object_]

MOST_GROUPS = 300
"""Groups of one kind that are compared; beyond, those with the most readings."""


@dataclass(frozen=True)
class Source:
    """A stratum as the ageing model sees it on its likeliest curve.

    data: the kernel's arrays with robust weights and working values of censored readings. lives: the rows of the lives
    frame in the order of the sensors of `data`. slope: common ageing rate per unit of the time scale.
    """

    stratum: Stratum
    data: CrossedData
    curve: Curve
    parameters: VarianceParameters
    lives: pd.DataFrame
    slope: float


@dataclass(frozen=True)
class Compared:
    """A source with its groups fitted: names (L,), codes (n,) by column `by`, columns it was adjusted for.

    Very large strata are compared on a random part of the sensors; those left out have the code -1. chosen: their number.
    """

    source: Source
    by: str
    names: ObjectArray
    code: IntArray
    grouped: Grouped
    adjusted_for: tuple[str, ...]
    chosen: int


def sources(model: AgeingModel, lives: pd.DataFrame) -> Iterator[Source]:
    """The strata of a fitted model that can carry a comparison; lives: the frame it was fitted on."""
    by_id = lives.set_index("life_id")
    for whole in model.strata_.values():
        item = whole.told
        fitted = likeliest(item)
        if fitted is None:
            continue
        data = fitted.fit.criterion.layout.data
        own = by_id.loc[list(item.stratum.life_id)]
        yield Source(item.stratum, data, fitted.curve, fitted.parameters, own, float(fitted.fit.beta[1]))


def likeliest(item: StratumModel) -> CurveFit | None:
    """The fit of a stratum on its likeliest curve; None where its variances are not its own or it has no slope."""
    fitted = item.curves[0].fitted
    return None if item.given or fitted is None or not fitted.terms.slope else fitted


def column_of(lives: pd.DataFrame, by: str) -> None:
    """Raise FitError unless `by` is a column that lives can be compared by."""
    if by not in lives.columns:
        usual = [name for name in ("lot", "supplier", "site", "model", "instrument_id") if name in lives.columns]
        raise FitError(f"the lives have no column {by!r} to compare by; columns for that are {', '.join(usual)}")


def compare_source(source: Source, by: str, adjust: tuple[str, ...], random_state: int = 0) -> Compared | None:
    """Fit the groups of one stratum; None where there are not two that readings can tell apart."""
    code, names = codes(source.lives[by])
    used = tuple(name for name in adjust if name != by and name in source.lives.columns and name != "lot")
    nested = codes(source.lives["lot"])[0] if by != "lot" and "lot" in source.lives.columns else None
    others = tuple(codes(source.lives[name])[0] for name in used)
    drawn = _largest(code, source.stratum.counts, names.size)
    width = 2 * min(names.size, MOST_GROUPS) + source.data.x.shape[1] + 2 * len(others) * MOST_FIXED
    chosen = draw_sensors(source.data, drawn, width, np.random.default_rng(random_state))
    every = bool(chosen.all())
    data = source.data if every else only_sensors(source.data, chosen)
    part = slice(None) if every else chosen
    try:
        grouped = fit_groups(
            data,
            drawn[part],
            names.size,
            tuple(values[part] for values in others),
            None if nested is None else nested[part],
            source.parameters,
            source.parameters.brownian > 0,
        )
    except FitError:
        return None
    return Compared(source, by, names, np.where(chosen, drawn, -1), grouped, used, int(chosen.sum())) if names.size else None


def _largest(code: IntArray, readings: IntArray, groups: int) -> IntArray:
    """Codes (n,) of which only the MOST_GROUPS with the most readings are kept, the others being -1."""
    if groups <= MOST_GROUPS:
        return code
    total = np.bincount(code[code >= 0], readings[code >= 0], groups)
    kept = np.zeros(groups + 1, bool)
    kept[np.argsort(-total, kind="stable")[:MOST_GROUPS]] = True
    return np.where(kept[code], code, -1)
