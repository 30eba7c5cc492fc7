"""From the readings and lives frames to strata: checks at the door, sorting, what cannot be used and why."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from sensorhealth.degradation.design import FloatArray, IntArray, ObjectArray, Stratum, codes, segments
from sensorhealth.errors import FitError

COVARIATES = {"temperature_c": "temperature", "humidity_pct": "humidity"}
LEAST_RECORDED = 0.5  # share of a stratum's readings that must carry a covariate for it to be used
FEWEST_RECORDED = 10  # readings that a covariate's effect is learnt from at least
LEAST_SPREAD = {"temperature_c": 0.5, "humidity_pct": 1.0}  # standard deviation below which a covariate is a constant
DAYS = 365.25
SAME_START = 0.9  # share of first readings with one and the same value that marks a reference calibration
FEW_LIVES = 10

READINGS_NEED = ("life_id", "age_years", "log_ratio")
LIVES_NEED = ("life_id", "stratum")
READINGS_MAY = {
    "censoring": 0, "cylinder": "", "cylinder_days": np.nan, "session": "", "temperature_c": np.nan, "humidity_pct":
    np.nan, "time": pd.NaT, "row": -1,
}  # fmt: skip
LIVES_MAY = {"technology": "", "gas": "", "lot": ""}


def with_columns(frame: pd.DataFrame, need: tuple[str, ...], may: Mapping[str, Any], table: str) -> pd.DataFrame:
    """`frame` with every column of `need` and `may` (defaults where absent). FitError names a missing needed column."""
    missing = [column for column in need if column not in frame.columns]
    if missing:
        raise FitError(
            f"the {table} frame has no column {', '.join(missing)}; it needs {', '.join(need)}: "
            f"make it with sensorhealth.health.{table}"
        )
    complete = frame.copy(deep=False)
    for column, value in may.items():
        if column not in frame.columns:
            complete[column] = value
    return complete


def build(
    readings: pd.DataFrame,
    lives: pd.DataFrame,
    cylinders: pd.DataFrame | None = None,
    steps: pd.DataFrame | None = None,
    fitted: Mapping[str, Stratum] | None = None,
) -> dict[str, Stratum]:
    """Strata by name. With `fitted` strata their codes, covariates and centres are kept, so that old and new agree.

    readings, lives: frames of the health room. cylinders: cylinder_id, gas, tolerance_pct. steps: life_id, time_after.
    Raises FitError for missing columns, no lives, doubled ones, readings of unknown lives, ages or ratios that are not numbers.
    """
    readings = with_columns(readings, READINGS_NEED, READINGS_MAY, "readings")
    lives = with_columns(lives, LIVES_NEED, LIVES_MAY, "lives")
    life = _life_of(readings, lives)
    if lives.empty:
        raise FitError("there is no life to fit: the lives frame is empty")
    stratum_of_life, names = codes(lives["stratum"])
    if (stratum_of_life < 0).any():
        raise FitError(f"life {lives['life_id'].iloc[int(np.argmin(stratum_of_life))]!r} has no stratum")
    usable = np.isfinite(readings["log_ratio"].to_numpy(float)) & np.isfinite(readings["age_years"].to_numpy(float))
    age = readings["age_years"].to_numpy(float)
    order = _order(stratum_of_life, life, age, readings["row"].to_numpy())
    order = order[usable[order]]
    used = readings[[*READINGS_NEED[1:], *READINGS_MAY]]
    bounds = np.searchsorted(stratum_of_life[life][order], np.arange(names.size + 1))
    found: dict[str, Stratum] = {}
    for code in np.argsort(names.astype(str)):
        members = np.flatnonzero(stratum_of_life == code)
        rows = order[bounds[code] : bounds[code + 1]]
        local = np.full(len(lives), -1, dtype=np.int64)
        local[members] = np.arange(members.size)
        name = str(names[code])
        old = None if fitted is None else fitted.get(name)
        found[name] = _stratum(name, used.iloc[rows], rows, lives.iloc[members], local[life[rows]], cylinders, steps, old)
    return found


def _order(stratum: IntArray, life: IntArray, age: FloatArray, row: IntArray) -> IntArray:
    """Readings (N,) by stratum, life, age and row; records mostly hold those of a life in order already."""
    later = np.diff(age)
    together = (np.diff(life) == 0) & ((later > 0) | ((later == 0) & (np.diff(row) >= 0)))
    begins = np.flatnonzero(np.r_[True, ~together][: life.size])
    if np.unique(life[begins]).size < begins.size:
        return np.lexsort((row, age, life, stratum[life])).astype(np.int64)
    count = np.diff(np.r_[begins, life.size])
    runs = np.lexsort((life[begins], stratum[life[begins]]))
    first = np.cumsum(np.r_[0, count[runs]])[:-1]
    return (np.repeat(begins[runs] - first, count[runs]) + np.arange(life.size)).astype(np.int64)


def _life_of(readings: pd.DataFrame, lives: pd.DataFrame) -> IntArray:
    index = pd.Index(lives["life_id"])
    if not index.is_unique:
        raise FitError(f"life {index[index.duplicated()][0]!r} stands twice in the lives frame")
    life = index.get_indexer(readings["life_id"]).astype(np.int64)
    if (life < 0).any():
        lost = readings["life_id"][life < 0]
        raise FitError(f"{lost.size} readings belong to no life in the lives frame, the first to {lost.iloc[0]!r}")
    return life


def _stratum(
    name: str,
    readings: pd.DataFrame,
    rows: IntArray,
    lives: pd.DataFrame,
    life: IntArray,
    cylinders: pd.DataFrame | None,
    steps: pd.DataFrame | None,
    old: Stratum | None,
) -> Stratum:
    """One stratum from its readings (sorted) and lives; `life` codes of the readings within it."""
    remarks: list[str] = []
    y = readings["log_ratio"].to_numpy(float)
    censoring = readings["censoring"].to_numpy(np.int8)
    dull = _reference(y, censoring, life, old is not None and old.reference.size > 0)
    reference, reference_value = rows[dull], np.full(len(lives), np.nan)
    reference_value[life[dull]] = y[dull]
    if dull.any():
        remarks.append(
            f"{name}: {int(dull.sum())} first readings share one value (a reference calibration): "
            "they say nothing about ageing and are left out"
        )
    readings, rows, life, y, censoring = readings[~dull], rows[~dull], life[~dull], y[~dull], censoring[~dull]
    cylinder, cylinder_names = codes(readings["cylinder"], None if old is None else old.cylinders)
    session, session_names = codes(readings["session"], None if old is None else old.sessions)
    lot, lots = codes(lives["lot"], None if old is None else old.lots)
    covariates, used, centres = _covariates(readings, name, old, remarks)
    segment, last_segment, count = _segments(readings, lives, life, steps)
    gas = str(lives["gas"].iloc[0])
    return Stratum(
        name=name,
        technology=str(lives["technology"].iloc[0]),
        gas=gas,
        life_id=lives["life_id"].to_numpy(dtype=object),
        lot=lot,
        lots=lots,
        row=rows,
        offsets=np.searchsorted(life, np.arange(len(lives) + 1)).astype(np.int64),
        age=np.maximum(readings["age_years"].to_numpy(float), 0.0),
        y=y,
        censoring=censoring,
        cylinder=cylinder,
        cylinders=cylinder_names,
        tolerance=_tolerance(cylinder_names, gas, cylinders),
        opened=np.nan_to_num(readings["cylinder_days"].to_numpy(float)) / DAYS,
        session=session,
        sessions=session_names,
        covariates=covariates,
        covariate_names=used,
        centres=centres,
        segment=segment,
        last_segment=last_segment,
        segments=count,
        step_size=np.ones(count),
        reference=reference,
        reference_value=reference_value,
        remarks=tuple(remarks),
    )


def _reference(y: FloatArray, censoring: np.ndarray, life: IntArray, before: bool) -> np.ndarray:
    """Mask (N,) of first readings that are one value by definition (series relative to their first calibration)."""
    first = np.diff(life, prepend=-1) != 0
    mask = np.zeros(y.size, dtype=bool)
    values, counts = np.unique(y[first & (censoring == 0)], return_counts=True)
    if not values.size:
        return mask
    same = np.abs(y - values[counts.argmax()]) < 1e-9
    many = first.sum() >= FEW_LIVES and counts.max() >= SAME_START * first.sum()
    later_differ = (~first).any() and same[~first].mean() < 0.5
    return first & same if before or (many and later_differ) else mask


def _covariates(
    readings: pd.DataFrame, name: str, old: Stratum | None, remarks: list[str]
) -> tuple[FloatArray, tuple[str, ...], FloatArray]:
    """Centred covariates (N,q), their names and centres; those that cannot speak are dropped with a remark."""
    if old is not None:
        same = readings[list(old.covariate_names)].to_numpy(float)
        return np.nan_to_num(same - old.centres), old.covariate_names, old.centres
    used: list[str] = []
    others = np.column_stack([np.ones(len(readings)), readings["age_years"].to_numpy(float)])
    for column, word in COVARIATES.items():
        values = np.asarray(readings[column], dtype=float)
        recorded = np.isfinite(values)
        if not recorded.any():
            continue
        filled = np.where(recorded, values, np.mean(values[recorded]))
        own = filled - others @ np.linalg.lstsq(others, filled, rcond=None)[0]
        if recorded.mean() < LEAST_RECORDED:
            remarks.append(f"{name}: {word} is recorded for {recorded.mean():.0%} of the readings only and is not used")
        elif np.std(values[recorded]) < LEAST_SPREAD[column]:
            remarks.append(f"{name}: {word} hardly varies, its effect cannot be told")
        elif recorded.sum() < FEWEST_RECORDED or np.std(own) < LEAST_SPREAD[column]:
            remarks.append(f"{name}: the effect of {word} cannot be told from that of age in so few readings")
        else:
            used.append(column)
            others = np.column_stack([others, filled])
    table = readings[used].to_numpy(float)
    centres = np.nanmean(table, axis=0) if len(used) else np.zeros(0)
    return np.nan_to_num(table - centres), tuple(used), centres


def _tolerance(names: ObjectArray, gas: str, cylinders: pd.DataFrame | None) -> FloatArray:
    """Stated tolerance of each cylinder (C,) as a ratio, NaN where none; the stratum's own gas goes first."""
    if cylinders is None or not len(cylinders) or not names.size or "tolerance_pct" not in cylinders:
        return np.full(names.size, np.nan)
    own = cylinders["gas"].eq(gas) if "gas" in cylinders else pd.Series(True, index=cylinders.index)
    table = cylinders.assign(own=own).sort_values("own", ascending=False, kind="stable")
    table = table.drop_duplicates("cylinder_id").set_index("cylinder_id")
    stated = table["tolerance_pct"].reindex(names).to_numpy(float) / 100.0
    return np.where(stated > 0.0, stated, np.nan)


def _segments(
    readings: pd.DataFrame, lives: pd.DataFrame, life: IntArray, steps: pd.DataFrame | None
) -> tuple[IntArray, IntArray, int]:
    """Segment code of each reading and of each life's present, and how many there are; swaps are lives, not steps."""
    none = np.full(len(readings), -1, dtype=np.int64), np.full(len(lives), -1, dtype=np.int64), 0
    if steps is None or not len(steps):
        return none
    owner = pd.Index(lives["life_id"]).get_indexer(steps["life_id"])
    kept = (owner >= 0) & (steps["kind"].ne("swap").to_numpy() if "kind" in steps else True)
    if not kept.any():
        return none
    segment, order = segments(life, readings["time"], owner[kept].astype(np.int64), steps["time_after"][kept])
    latest = np.full(len(lives), -1, dtype=np.int64)
    latest[owner[kept][order]] = np.arange(order.size)  # in order of time, so the last step of a life stays
    return segment, latest, int(order.size)
