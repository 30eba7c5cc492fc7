"""Applied concentrations that are not what the cylinder's label says."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..bench import CORRECTED, DOUBTED, SET_ASIDE, Array, Batch, Bench
from ..raw import IntArray
from ._tools import group_median, headroom_ratio, looked_up, where

ORDER = 70
FINDINGS = {
    "applied not the label": "an applied concentration that differs from the cylinder's label",
    "%LEL basis conflict": "applied and label differ by just the ratio of the two bases of 100 %LEL methane",
}
_EQUAL = 0.02
_SMALL = 0.10
_FITS = np.log(1.2)
_APART = np.log(1.35)
_COMMON = 0.3


def check(bench: Bench) -> list[Batch]:
    """Which of the two is right is told by the sensor's own headroom; where it cannot tell, a wide difference sets
    the row aside.

    Small differences (up to 10 %) and ones that most rows share are doubted only.
    """
    applied = bench.column("calibrations", "applied")
    label = np.append(bench.column("cylinders", "concentration"), np.nan)[bench.label_of()]
    judged = bench.used["calibrations"] & (applied > 0) & (label > 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = np.where(judged, np.log(applied / label), 0.0)
    off = np.abs(gap) > _EQUAL
    if not off.any():
        return []
    basis = off & (np.abs(np.abs(gap) - np.log(5.0 / 4.4)) < 0.006) & _methane(bench)
    rest = off & ~basis
    common = rest.sum() > _COMMON * judged.sum()
    small = rest & ((np.abs(gap) <= _SMALL) | common)
    return [
        Batch("%LEL basis conflict", "calibrations", "applied", DOUBTED, where(basis), by="cylinder_id",
              reason="the ratio of 5.0 to 4.4 %vol: label and instrument may follow different bases of 100 %LEL"),
        Batch("applied not the label", "calibrations", "applied", DOUBTED, where(small), by="cylinder_id",
              reason="differs from the label, as many rows do; check label and set value" if common else
              "differs a little from the label; check the value set in the instrument"),
        *_wide(bench, where(rest & ~small), applied, label, off),
    ]  # fmt: skip


def _methane(bench: Bench) -> Array:
    return np.append(bench.is_word("sensors", "gas", "CH4"), False)[bench.sensor_of()]


def _wide(bench: Bench, rows: IntArray, applied: Array, label: Array, off: Array) -> list[Batch]:
    """Rows where the two are far apart, judged by as-found and by the headroom ratio of the sensor's other
    calibrations."""
    if not len(rows):
        return []
    headroom, found = bench.column("calibrations", "headroom"), bench.column("calibrations", "as_found")
    usual = _usual_ratio(bench, rows, off)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_applied = [
            np.abs(np.log(headroom[rows] / applied[rows]) - usual),
            np.abs(np.log(found[rows] / applied[rows])),
        ]
        by_label = [np.abs(np.log(headroom[rows] / label[rows]) - usual), np.abs(np.log(found[rows] / label[rows]))]
    for_label = sum((one < _FITS) & (other > _APART) for one, other in zip(by_label, by_applied, strict=True)) > 0
    for_applied = sum((one < _FITS) & (other > _APART) for one, other in zip(by_applied, by_label, strict=True)) > 0
    set_wrong = for_label & ~for_applied
    other_cylinder = for_applied & ~for_label & _on_a_label(bench, rows, applied)
    unread = np.isnan(headroom[rows]) & ~set_wrong & ~other_cylinder
    aside = ~set_wrong & ~other_cylinder & ~unread
    said = np.array([f"the label says {value:g}" for value in label[rows]], dtype=object)

    def batch(mask: Array, done: str, text: str, **more: Any) -> Batch:
        reasons = [f"{one}; {text}" for one in said[mask]]
        return Batch("applied not the label", "calibrations", "applied", done, rows[mask], reasons=reasons, **more)

    return [
        batch(set_wrong, CORRECTED, "the readings fit the label and not the value set: the label is used",
              changes={"applied": label[rows][set_wrong]}, otherwise=SET_ASIDE),
        batch(other_cylinder, DOUBTED, "the readings fit the value set: another cylinder was used, not this one",
              changes={"cylinder_id": np.full(int(other_cylinder.sum()), "", dtype=object)}),
        batch(unread, DOUBTED, "no headroom is recorded that could tell which is right"),
        batch(aside, SET_ASIDE, "the readings do not tell which is right; mend applied or the cylinder"),
    ]  # fmt: skip


def _usual_ratio(bench: Bench, rows: IntArray, off: Array) -> Array:
    """Median ln headroom ratio of each row's sensor over its rows that agree with the label; NaN where there are too
    few."""
    sensor = bench.sensor_of()
    theirs = np.isin(sensor, sensor[rows]) & bench.used["calibrations"] & ~off
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(headroom_ratio(bench)[theirs])
    return looked_up(group_median(sensor[theirs], logs, fewest=3), sensor[rows])


def _on_a_label(bench: Bench, rows: IntArray, applied: Array) -> Array:
    """Rows whose applied concentration stands on another label for the same gas."""
    gas_of_label, concentration = bench.codes("cylinders", "gas"), bench.column("cylinders", "concentration")
    names = gas_of_label[1][gas_of_label[0]]
    gas = bench.of_sensor("gas")[rows]
    stock = {(str(name), round(float(value), 6)) for name, value in zip(names, concentration, strict=True)}
    return np.array(
        [(str(name), round(float(value), 6)) in stock for name, value in zip(gas, applied[rows], strict=True)],
        dtype=bool,
    )
