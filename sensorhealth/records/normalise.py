"""All concentrations into the sensor's unit, headroom into a reading: what a mapping states, done to every row."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..errors import RecordsError
from ..technologies import gases
from .bench import DOUBTED, Array, Batch, Bench
from .headroom_kind import refuse_contradicted_kind
from .mapping import RecordsMapping
from .units import COLUMN_UNITS, factor, to_contract

READINGS = ("applied", "zero_offset", "as_found", "as_left", "headroom")


def units_together(bench: Bench, mapping: RecordsMapping) -> None:
    """Bring every column into the contract's unit, and concentrations into the sensor's, in place on the bench."""
    _fill_lel_basis(bench, mapping)
    for name, part in mapping.tables.items():
        for column, unit in part.units.items():
            if column in COLUMN_UNITS and column in bench.tables[name]:
                scale, shift = to_contract(column, unit)
                bench.tables[name][column] = bench.column(name, column) * scale + shift
    relative = mapping.headroom_kind in ("ratio", "percent")
    _into_sensor_unit(bench, mapping, [name for name in READINGS if name != "headroom" or not relative])
    _cylinders_into_unit(bench, mapping)


def headroom_as_reading(bench: Bench, mapping: RecordsMapping, source: str) -> None:
    """Bring headroom to the contract's kind, in place. Raises RecordsError where no kind is stated and the numbers
    contradict a reading."""
    kind = mapping.headroom_kind
    if not kind:
        refuse_contradicted_kind(bench, source)
    elif kind != "reading":
        _headroom_from(bench, kind)


def _fill_lel_basis(bench: Bench, mapping: RecordsMapping) -> None:
    if mapping.lel_basis is None:
        return
    basis = bench.column("sensors", "lel_basis")
    methane = bench.is_word("sensors", "gas", "CH4")
    bench.tables["sensors"]["lel_basis"] = np.where(np.isnan(basis) & methane, mapping.lel_basis, basis)


def _headroom_from(bench: Bench, kind: str) -> None:
    applied, headroom = bench.column("calibrations", "applied"), bench.column("calibrations", "headroom")
    if kind == "excess":
        bench.tables["calibrations"]["headroom"] = headroom + applied
        return
    if np.isnan(applied).all():
        applied = np.where(np.isnan(headroom), np.nan, 1.0)
        bench.tables["calibrations"]["applied"] = applied
        bench.notes.append("no applied concentration is recorded: headroom ratios are kept as readings on a gas of 1")
    bench.tables["calibrations"]["headroom"] = headroom * applied * (0.01 if kind == "percent" else 1.0)


def _into_sensor_unit(bench: Bench, mapping: RecordsMapping, convert: list[str]) -> None:
    stated = {name: mapping.tables["calibrations"].units.get(name, "") for name in convert}
    recorded = "unit_recorded" if "unit_recorded" in bench.tables["calibrations"] else ""
    in_cells = bench.with_units.get("calibrations", {})
    for name in convert:
        if not (recorded or stated[name] or name in in_cells):
            continue
        scale = _scales(bench, stated[name], recorded)
        if name in in_cells:
            own = in_cells[name]
            by_cell = _table_of_scales(bench, own.units, np.array(own.unit_names, dtype=object))
            scale = np.where(own.units >= 0, by_cell, scale)
        unknown = np.isnan(scale) & bench.stated("calibrations", name)
        values = bench.column("calibrations", name) * scale
        bench.tables["calibrations"][name] = values
        if unknown.any():
            theirs = stated[name] or "the recorded unit"
            reason = f"no way from {theirs} to the sensor's unit (state the %LEL basis); the value is not used"
            at = np.flatnonzero(unknown)
            bench.apply([Batch("unit unknown", "calibrations", name, DOUBTED, at, reason, by="sensor_id")])


def _scales(bench: Bench, stated: str, recorded: str) -> Array:
    """(n calibrations,) factor from the recorded unit to the sensor's; NaN where there is no way."""
    if recorded and not stated:
        return _table_of_scales(bench, *bench.codes("calibrations", recorded))
    nothing = np.zeros(len(bench.tables["calibrations"]), dtype=np.int64)
    return _table_of_scales(bench, nothing - (not stated), np.array([stated], dtype=object))


def _table_of_scales(bench: Bench, theirs: Array, names: Array) -> Array:
    """(n calibrations,) factor from the unit `names[theirs]` of each row (the sensor's own for -1) to the sensor's."""
    unit, gas, basis = (bench.column("sensors", name) for name in ("unit", "gas", "lel_basis"))
    kinds, kind = np.unique(
        np.stack([unit.astype(str), gas.astype(str), np.char.mod("%.6g", basis)]), axis=1, return_inverse=True
    )
    table = np.full((kinds.shape[1] + 1, len(names) + 1), np.nan)
    table[:, -1] = 1.0  # no unit recorded: the sensor's own
    table[-1, :] = 1.0  # sensor unknown: the row is set aside anyway
    for place, (own, name, lel) in enumerate(kinds.T):
        known = gases().get(str(name))
        for column, other in enumerate(names):
            scale = factor(str(other), str(own), None if lel == "nan" else float(lel), known.molar_mass if known else None)
            table[place, column] = 1.0 if not own else np.nan if scale is None else scale
    result: Array = table[np.append(kind, -1)[bench.sensor_of()], theirs]
    return result


def _cylinders_into_unit(bench: Bench, mapping: RecordsMapping) -> None:
    """Concentrations stated in a unit of their own, into the unit that the sensors of the gas share."""
    frame = bench.tables["cylinders"]
    if not len(frame):
        return
    stated = mapping.tables["cylinders"].units.get("concentration", "")
    if stated not in ("", "ppm", "%vol", "%LEL", "ppb", "mg/m3"):
        raise RecordsError(f"mapping: [cylinders.units] concentration = {stated!r} is not known")
    unit, gas = bench.column("cylinders", "unit"), bench.column("cylinders", "gas")
    shared = _shared_units(bench)
    values, new_unit = bench.column("cylinders", "concentration").copy(), unit.copy()
    in_cells = bench.with_units.get("cylinders", {}).get("concentration")
    for row in range(len(frame)):
        said = in_cells.unit_names[in_cells.units[row]] if in_cells is not None and in_cells.units[row] >= 0 else ""
        own = said or stated or str(unit[row])
        into, basis = shared.get(str(gas[row]), ("", None))
        known = gases().get(str(gas[row]))
        scale = factor(own, into, basis, known.molar_mass if known else None) if own and into else None
        if scale is not None:
            values[row], new_unit[row] = values[row] * scale, into
    frame["concentration"] = values
    bench._change("cylinders", "unit", np.arange(len(frame)), new_unit)
    bench._cache.clear()


def _shared_units(bench: Bench) -> dict[str, tuple[str, Any]]:
    """For each gas, the unit and %LEL basis of its sensors where they all share one."""
    frame = bench.tables["sensors"][bench.used["sensors"]]
    found: dict[str, tuple[str, Any]] = {}
    for gas, group in frame.groupby("gas", observed=True):
        units, bases = group["unit"].dropna().unique(), group["lel_basis"].dropna().unique()
        if len(units) == 1:
            found[str(gas)] = (str(units[0]), float(bases[0]) if len(bases) == 1 else None)
    return found
