"""Which effects a stratum's model has: its fixed effects and the classes of effects that cross the sensors."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array, eye_array

from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import FloatArray, IntArray, Stratum
from sensorhealth.degradation.reml_data import CrossedClass, CrossedData, RandomEffects
from sensorhealth.technologies import gases

STATED, CYLINDER, FADE, SESSION, STEP = "cylinder of stated tolerance", "cylinder", "cylinder fade", "session", "step"
LOT_LEVEL, LOT_SLOPE = "lot level", "lot slope"
GAS = (STATED, CYLINDER, FADE, SESSION)  # what belongs to a visit to the bench and not to the sensor
STEP_VARIANCE = 1.0  # ln ratio squared: a step may be of any size
FEWEST_TOGETHER, LEAST_TOGETHER = 20, 0.25  # readings, and share of them, in sessions of two or more
GAS_DEGREES = 3.0  # of freedom of the gas effects: few cylinders are far off, but those are
WIDTH_SETTLED = 0.1  # change of a width in its logarithm at which they are left alone
SAME_AGE = 1e-3  # years; ages within it tell no slope

Widths = dict[str, FloatArray]  # class of gas effects -> factor on the standard deviation of each column


@dataclass(frozen=True)
class PathPrior:
    """What is believed of a stratum's mean path before its readings: level at birth and slope, with standard
    deviations.
    """

    level: float
    level_sd: float
    slope: float
    slope_sd: float


@dataclass(frozen=True)
class Terms:
    """What a stratum's model contains.

    slope: a mean slope; random: the sensors' own effects; prior: on the mean path, where the readings cannot tell it.
    """

    slope: bool
    random: RandomEffects
    fade: bool
    sessions: bool
    lots: bool
    prior: PathPrior | None = None


def terms(stratum: Stratum, *, fade: bool, sessions: bool, lots: bool) -> Terms:
    """The effects that this stratum's readings can carry at all."""
    spread = float(np.ptp(stratum.age)) > SAME_AGE if stratum.age.size else False
    repeated = bool((stratum.counts > 1).any())
    several = stratum.life_id.size > 1
    random: RandomEffects = "none"
    if several and repeated:
        random = "intercept+slope" if spread else "intercept"
    gas = gases().get(stratum.gas)
    reactive = gas is not None and gas.reactive
    opened = stratum.opened[stratum.cylinder >= 0]
    return Terms(
        slope=spread,
        random=random,
        fade=fade and reactive and opened.size > 0 and float(np.ptp(opened)) > SAME_AGE,
        sessions=sessions and _shared(stratum.session, stratum.sessions.size),
        lots=lots and stratum.lots.size > 1,
    )


def _shared(session: IntArray, count: int) -> bool:
    """Whether enough readings share a session to tell it from noise: a session of one reading cannot be told apart."""
    size = np.bincount(session[session >= 0], minlength=count)
    together = int(size[size > 1].sum())
    return count > 1 and together >= max(FEWEST_TOGETHER, LEAST_TOGETHER * session.size)


def crossed_data(stratum: Stratum, curve: Curve, chosen: Terms, widths: Widths | None = None) -> CrossedData:
    """The kernel's arrays: y at face value, weights one. widths: factors on the standard deviations of gas effects."""
    g = curve.value(stratum.age)
    columns = [np.ones_like(g)] + ([g] if chosen.slope else [])
    x = np.column_stack([*columns, *stratum.covariates.T])
    return CrossedData(
        y=stratum.y,
        x=x,
        offsets=stratum.offsets,
        g=g,
        classes=_classes(stratum, g, chosen, widths or {}),
        random=chosen.random,
    )


def _classes(stratum: Stratum, g: FloatArray, chosen: Terms, widths: Widths) -> tuple[CrossedClass, ...]:
    found: list[CrossedClass] = []
    cylinder, tolerance = stratum.cylinder, stratum.tolerance
    stated = np.isfinite(tolerance)
    for name, mask in ((STATED, stated), (CYLINDER, ~stated)):
        if mask.any():
            own = np.where(mask, np.cumsum(mask) - 1, -1)
            scale = tolerance[mask] / np.sqrt(3.0) if name == STATED else np.ones(int(mask.sum()))
            scale = scale * _padded(widths.get(name), scale.size)
            given = 1.0 if name == STATED else None  # a stated tolerance is taken at its word, its outliers apart
            found.append(CrossedClass(name, _through(own, cylinder), None, int(mask.sum()), scale, given))
    if chosen.fade:
        width = _padded(widths.get(FADE), tolerance.size)
        found.append(CrossedClass(FADE, cylinder, stratum.opened, tolerance.size, width))
    if chosen.sessions:
        found.append(CrossedClass(SESSION, stratum.session, None, stratum.sessions.size))
    if chosen.lots:
        lot = stratum.lot[stratum.life]
        found.append(CrossedClass(LOT_LEVEL, lot, None, stratum.lots.size))
        if chosen.slope:
            found.append(CrossedClass(LOT_SLOPE, lot, g, stratum.lots.size))
    if stratum.segments:
        found.append(CrossedClass(STEP, stratum.segment, None, stratum.segments, None, STEP_VARIANCE))
    return tuple(found)


def gas_widths(
    data: CrossedData,
    effects: Mapping[str, tuple[FloatArray, FloatArray]],
    variances: Mapping[str, float],
    widths: Widths,
) -> tuple[Widths, float]:
    """Widths of the gas effects given their posteriors, and the largest change of a width in units of WIDTH_SETTLED.

    Most cylinders are as good as they say and a few are far off: gas effects are Student's t with GAS_DEGREES degrees of
    freedom, a normal whose variance is multiplied for each cylinder by its expected scale given the present effect
    (Lange, Little and Taylor 1989, J. Am. Stat. Assoc. 84:881-896). What counts is how far a cylinder stands off those
    that the same sensors were read on: a site whose cylinders all seem high has high sensors, not a block of bad gas.
    effects: mean and variance of each column.
    """
    found: Widths = {}
    moved = 0.0
    for item in data.classes:
        if item.name not in (STATED, CYLINDER, FADE):
            continue
        mean, variance = effects[item.name]
        before = _padded(widths.get(item.name), item.size)
        usual = variances.get(item.name, 1.0) * (np.ones(item.size) if item.scale is None else item.scale / before) ** 2
        off = mean - _median_of_neighbours(mean, item.index, data.offsets)
        square = (off**2 + variance) / np.maximum(usual, 1e-12)
        found[item.name] = np.sqrt((GAS_DEGREES + square) / (GAS_DEGREES + 1.0))
        moved = max(moved, float(np.max(np.abs(np.log(found[item.name] / before)), initial=0.0)) / WIDTH_SETTLED)
    return found, moved


def _median_of_neighbours(effect: FloatArray, index: IntArray, offsets: IntArray) -> FloatArray:
    """For each column, the median effect of the columns that its sensors touch, itself among them."""
    sensor = np.repeat(np.arange(offsets.size - 1), np.diff(offsets))
    used = index >= 0
    touches = csr_array(
        (np.ones(int(used.sum())), (sensor[used], index[used])), shape=(offsets.size - 1, effect.size)
    )
    pairs = (touches.T @ touches + eye_array(effect.size)).tocoo()
    order = np.lexsort((effect[pairs.col], pairs.row))
    start = np.searchsorted(pairs.row[order], np.arange(effect.size + 1))
    sorted_effect = effect[pairs.col[order]]
    size = np.diff(start)
    return 0.5 * (sorted_effect[start[:-1] + (size - 1) // 2] + sorted_effect[start[:-1] + size // 2])


def _padded(width: FloatArray | None, size: int) -> FloatArray:
    """Widths of `size` columns: those known, one for columns that came later."""
    known = np.ones(0) if width is None else width[:size]
    return np.append(known, np.ones(size - known.size))


def _through(table: IntArray, index: IntArray) -> IntArray:
    """table[index] where index is a code, -1 where it is -1."""
    if not table.size:
        return np.full(index.size, -1, dtype=np.int64)
    return np.where(index >= 0, table[np.maximum(index, 0)], -1)
