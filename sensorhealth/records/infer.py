"""Sensors told from their calibrations, where a fleet has no table of sensors."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from .. import nomenclature
from ..errors import RecordsError
from .dates import TIME
from .mapping import RecordsMapping
from .typed import TypedTable, _all_missing

_FEW = 0.05
SENSOR_FACTS = tuple(name for name in nomenclature.columns("sensors") if name != "sensor_id")


def inferred_sensors(calibrations: TypedTable, mapping: RecordsMapping) -> TypedTable:
    """One sensor for each sensor_id of the calibrations, its facts from there or from the mapping's constants.

    A fact that varies is the sensor's first stated one. `installed`, where not stated, is the time of the first
    calibration: ages then count from there. Raises RecordsError where technology, gas or unit are stated nowhere.
    """
    frame, constants = calibrations.frame, mapping.tables["sensors"].constants
    for name in ("gas", "technology", "unit"):
        if not calibrations.headings.get(name) and name not in constants:
            raise RecordsError(
                f"{calibrations.source}: there is no table of sensors, and no column {name!r} here; name one in a "
                f"mapping ([calibrations.columns] {name} = 'heading') or give a constant "
                f"([sensors.constants] {name} = '...')"
            )
    _refuse_shared_ids(calibrations)
    codes = frame["sensor_id"].cat.codes.to_numpy().astype(np.int64)
    ids = frame["sensor_id"].cat.categories
    columns: dict[str, Any] = {"row": np.zeros(len(ids), dtype=np.int64)}
    columns["sensor_id"] = pd.Categorical.from_codes(np.arange(len(ids)), categories=ids)
    first_seen = _first_times(codes, frame["time"].to_numpy(), len(ids))
    for name in SENSOR_FACTS:
        kind = nomenclature.columns("sensors")[name].type
        if name in constants:
            columns[name] = _constant(name, kind, constants[name], len(ids))
        elif calibrations.headings.get(name):
            columns[name] = _first_stated(frame[name], codes, len(ids), kind)
        else:
            columns[name] = _all_missing(kind, len(ids))
    installed = columns["installed"]
    columns["installed"] = np.where(np.isnat(installed), first_seen, installed).astype(TIME)
    headings = {name: calibrations.headings.get(name, "") for name in SENSOR_FACTS} | {"sensor_id": "inferred"}
    headings |= {name: f"= {value}" for name, value in constants.items()}
    headings["installed"] = headings["installed"] or "inferred"
    return TypedTable("sensors", f"sensors inferred from {calibrations.source}", pd.DataFrame(columns), {}, (), headings, {})


def _refuse_shared_ids(calibrations: TypedTable) -> None:
    """Raise RecordsError where many ids are calibrated for several gases: they are instruments, not sensing elements."""
    frame = calibrations.frame
    if not calibrations.headings.get("gas"):
        return
    pairs = frame[["sensor_id", "gas"]].dropna().drop_duplicates()
    counts = pairs["sensor_id"].value_counts()
    shared = counts[counts > 1]
    if len(shared) > _FEW * (counts > 0).sum():
        example = shared.index[0]
        found = ", ".join(sorted(pairs.loc[pairs["sensor_id"] == example, "gas"].astype(str))[:5])
        raise RecordsError(
            f"{calibrations.source}: column {calibrations.headings['sensor_id']!r}: {example!r} is calibrated for {found}, so it "
            "is no sensing element; name its column, or join several in a mapping: "
            '[calibrations.columns] sensor_id = ["instrument", "gas"]'
        )


def _first_times(codes: np.ndarray[Any, Any], times: np.ndarray[Any, Any], count: int) -> np.ndarray[Any, Any]:
    first = np.full(count, np.iinfo(np.int64).max)
    there = (codes >= 0) & ~np.isnat(times)
    np.minimum.at(first, codes[there], times[there].astype(TIME).astype(np.int64))
    return np.where(first == np.iinfo(np.int64).max, np.datetime64("NaT"), first.view(TIME)).astype(TIME)


def _first_stated(column: pd.Series, codes: np.ndarray[Any, Any], count: int, kind: str) -> Any:
    stated = np.flatnonzero(column.notna().to_numpy() & (codes >= 0))
    first = np.full(count, -1, dtype=np.int64)
    first[codes[stated][::-1]] = stated[::-1]
    if isinstance(column.dtype, pd.CategoricalDtype):
        return pd.Categorical.from_codes(np.append(column.cat.codes.to_numpy(), -1)[first], categories=column.cat.categories)
    values = column.to_numpy()
    missing = np.array([np.nan if kind == "number" else np.datetime64("NaT")], dtype=values.dtype)
    return np.append(values, missing)[first]


def _constant(name: str, kind: str, value: object, count: int) -> Any:
    if kind == "number":
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RecordsError(f"mapping: [sensors.constants] {name} = {value!r} must be a number")
        return np.full(count, float(value))
    if kind == "time":
        try:
            return np.full(count, np.datetime64(pd.Timestamp(str(value)), "us"), dtype=TIME)
        except (ValueError, OverflowError):
            raise RecordsError(f"mapping: [sensors.constants] {name} = {value!r} must be a date like 2024-01-31") from None
    from .vocabulary import understood_word

    word = understood_word(name, str(value))
    if word is None:
        allowed = ", ".join(nomenclature.columns("sensors")[name].choices)
        raise RecordsError(f"mapping: [sensors.constants] {name} = {value!r} must be one of {allowed}")
    return pd.Categorical([word] * count)
