"""Values in another unit than the sensor's: ppm for %vol, %vol for %LEL and the like."""

from __future__ import annotations

import itertools

import numpy as np

from ...technologies import gases
from ..bench import CORRECTED, DOUBTED, SET_ASIDE, Array, Batch, Bench
from ..raw import IntArray
from ..units import CONCENTRATION_UNITS, factor
from ._tools import group_median, looked_up, where

ORDER = 66
FINDINGS = {
    "label in another unit": "a cylinder whose label is in another unit than the sensors of its gas",
    "units mixed": "a calibration whose applied gas is in another unit than the sensor's",
    "unit suspect": "an applied gas that differs from the label by just the factor between two units",
}
_CLOSE = 0.01
_FAR = 4.0
_READINGS = ("headroom", "as_found", "as_left", "zero_offset")
_BASES = (4.4, 5.0)
_SLIPS = {4: "smaller", -4: "larger", 3: "smaller", -3: "larger", 2: "smaller", -2: "larger"}
"""Powers of ten by which a value may be off where no unit is known to explain it: percent, parts per thousand, ppm in
%vol."""


def check(bench: Bench) -> list[Batch]:
    """Corrected only where the label, or the sensor's other calibrations, prove it: off by a unit's factor within 1
    %."""
    bench.apply(_labels(bench))
    applied = bench.column("calibrations", "applied")
    reference = _reference(bench, applied)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = applied / reference
        off = bench.used["calibrations"] & (np.abs(np.log(ratio)) > np.log(1.1))
    rows = where(off)
    unit, scale = _unit_of(bench, bench.sensor_of()[rows], ratio[rows])
    mended = (unit != "") & (np.abs(np.log(scale)) > np.log(_FAR))
    doubted = (unit != "") & ~mended
    return [
        *_rows_in(bench, rows[mended], unit[mended], scale[mended], reference),
        *_suspects(rows[doubted], unit[doubted]),
    ]


def _suspects(rows: IntArray, unit: Array) -> list[Batch]:
    reasons = [f"differs from the label by just the factor of {name}: check the unit" for name in unit]
    return [Batch("unit suspect", "calibrations", "applied", DOUBTED, rows, reasons=reasons)]


def _labels(bench: Bench) -> list[Batch]:
    """Cylinders of which nearly every row is off by the same factor: the label is in the other unit, not the rows."""
    label, applied = bench.label_of(), bench.column("calibrations", "applied")
    rows = where(bench.used["calibrations"] & (label >= 0) & (applied > 0))
    if not len(rows):
        return []
    concentration = bench.column("cylinders", "concentration")
    middle = group_median(label[rows], np.log(applied[rows] / concentration[label[rows]]))
    ratio = np.exp(looked_up(middle, np.arange(len(concentration))))
    first = np.full(len(concentration), -1, dtype=np.int64)
    first[label[rows]] = bench.sensor_of()[rows]
    unstated = ~bench.stated("cylinders", "unit")
    at = where(np.isfinite(ratio) & (np.abs(np.log(ratio)) > np.log(_FAR)) & unstated & bench.used["cylinders"])
    unit, scale = _unit_of(bench, first[at], 1.0 / ratio[at])
    at, unit, scale = at[unit != ""], unit[unit != ""], scale[unit != ""]
    return [
        Batch("label in another unit", "cylinders", "concentration", CORRECTED, at, otherwise=DOUBTED,
              changes={"concentration": concentration[at] / scale},
              reasons=[f"in {name}, while the sensors of this gas are in another unit; brought to theirs" for name in
              unit])
    ]  # fmt: skip


def _reference(bench: Bench, applied: Array) -> Array:
    """(n calibrations,) what should have been applied: the label, else what the sensor usually gets; NaN where
    unknown."""
    reference = np.append(bench.column("cylinders", "concentration"), np.nan)[bench.label_of()]
    sensor = bench.sensor_of()
    told = bench.used["calibrations"] & (sensor >= 0) & (applied > 0)
    lone = told & np.isnan(reference)
    if not lone.any():
        return reference
    logs = np.log(np.where(told, applied, np.nan))
    count = len(bench.tables["sensors"])
    high, low = np.full(count + 1, -np.inf), np.full(count + 1, np.inf)
    np.maximum.at(high, sensor[told], logs[told])
    np.minimum.at(low, sensor[told], logs[told])
    varied = told & (high - low > np.log(_FAR))[sensor]
    usual = group_median(sensor[varied], logs[varied], fewest=5)
    lone &= varied
    reference[lone] = np.exp(looked_up(usual, sensor[lone]))
    return reference


def _unit_of(bench: Bench, sensor: IntArray, ratio: Array) -> tuple[Array, Array]:
    """For each row the unit that explains recorded / true = `ratio` for its sensor, "" for none, and that unit's
    factor.
    """
    units, names = bench.column("sensors", "unit")[sensor], bench.column("sensors", "gas")[sensor]
    bases = bench.column("sensors", "lel_basis")[sensor]
    found, scales = np.full(len(sensor), "", dtype=object), np.ones(len(sensor))
    for place, (own, gas, basis, seen) in enumerate(zip(units, names, bases, ratio, strict=True)):
        known = gases().get(str(gas))
        tried = itertools.product(CONCENTRATION_UNITS, _BASES if np.isnan(basis) else (float(basis),))
        for other, lel in tried:
            scale = factor(str(own), other, lel, known.molar_mass if known else None) if own and other != own else None
            if scale is not None and abs(np.log(seen / scale)) < _CLOSE:
                found[place], scales[place] = other, scale
        slipped = round(np.log10(seen)) if seen > 0 and np.isfinite(seen) else 0
        if not found[place] and slipped in _SLIPS and abs(np.log(seen / 10.0**slipped)) < _CLOSE:
            found[place], scales[place] = f"a unit {10.0 ** abs(slipped):g} times {_SLIPS[slipped]}", 10.0**slipped
    return found, scales


def _rows_in(bench: Bench, rows: IntArray, unit: Array, scale: Array, reference: Array) -> list[Batch]:
    """Rows whose applied gas is in another unit: each reading of the row is brought along where it only fits so."""
    if not len(rows):
        return []
    applied = bench.column("calibrations", "applied")[rows]
    changes = {"applied": applied / scale}
    told = np.ones(len(rows), dtype=bool)
    for name in _READINGS:
        values = bench.column("calibrations", name)[rows]
        if name == "zero_offset":
            changes[name] = np.where(_follows(values / scale, values, reference[rows]), values / scale, values)
            continue
        with np.errstate(divide="ignore", invalid="ignore"):
            stays = np.abs(np.log(values / reference[rows]) - 0.4)
            comes = np.abs(np.log(values / scale / reference[rows]) - 0.4)
        told &= ~(np.isfinite(stays) & (np.abs(stays - comes) < 0.5))
        changes[name] = np.where(comes < stays, values / scale, values)
    reason = [f"in {name}: the label or the sensor's other calibrations say so; brought to the sensor's unit" for name in unit]
    clear = [text for text, ok in zip(reason, told, strict=True) if ok]
    return [
        Batch("units mixed", "calibrations", "applied", CORRECTED, rows[told], reasons=clear, otherwise=SET_ASIDE,
              changes={name: new[told] for name, new in changes.items()}),
        Batch("units mixed", "calibrations", "applied", SET_ASIDE, rows[~told],
              "in another unit, and it cannot be told which of the row's readings are too; mend the row"),
    ]  # fmt: skip


def _follows(brought: Array, stays: Array, reference: Array) -> Array:
    """Whether a zero offset is in the other unit too: only then is it small against the gas."""
    follows: Array = (np.abs(stays) > reference) & (np.abs(brought) < reference)
    return follows
