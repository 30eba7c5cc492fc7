"""The bench on which the checks look at the records: typed tables, which rows are still in use, and what was found.

A check never changes a table itself; it hands over `Batch`es, and the bench carries them out. So a row is set aside
at most once, every change is listed, and switching corrections off is one rule in one place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from .. import nomenclature
from .cells import Cells
from .raw import IntArray

SET_ASIDE, CORRECTED, KEPT, DOUBTED = "set aside", "corrected", "kept", "doubted"
Array = np.ndarray[Any, Any]


@dataclass(frozen=True, eq=False)
class Batch:
    """Rows of one table to which the same thing happened.

    finding: its short name. done: set aside, corrected, kept or doubted. at: (k,) positions in the typed table.
    column and values: where and what (default: the typed cells as text). changes: new cells by column, (k,) each.
    otherwise: what is done instead of a correction where corrections are switched off. by: a column of which each
    value gets one finding, with the number of rows it concerns, instead of one for each row (not for rows set aside:
    these are listed one by one). reasons: one for each row where they differ, else reason. times: (k,) when each was known
    (default: the time of a row that has one).
    """

    finding: str
    table: str
    column: str
    done: str
    at: IntArray
    reason: str = ""
    reasons: Sequence[str] | None = None
    values: Sequence[str] | None = None
    changes: Mapping[str, Any] = field(default_factory=dict)
    otherwise: str = DOUBTED
    by: str | None = None
    together: bool = False
    times: Array | None = None


class Bench:
    """tables: typed frames by name; used: for each, (n,) whether the row is still in use; findings: frames, in
    order."""

    def __init__(self, tables: dict[str, pd.DataFrame], corrections: bool) -> None:
        self.tables = tables
        self.used = {name: np.ones(len(frame), dtype=bool) for name, frame in tables.items()}
        self.findings: list[pd.DataFrame] = []
        self.notes: list[str] = []
        self.unreadable: dict[str, dict[str, Cells]] = {}
        self.with_units: dict[str, dict[str, Cells]] = {}
        self.above: IntArray = np.empty(0, np.int64)
        self.set_aside = dict.fromkeys(tables, 0)
        self._corrections = corrections
        self._cache: dict[str, Any] = {}
        self._kept: dict[str, Any] = {}

    def column(self, table: str, name: str) -> Array:
        """One column as an array: float64, datetime64, or object text with "" for missing."""
        series = self.tables[table][name]
        if isinstance(series.dtype, pd.CategoricalDtype):
            return np.append(series.cat.categories.to_numpy(dtype=object), "")[series.cat.codes.to_numpy()]
        return series.to_numpy()

    def codes(self, table: str, name: str) -> tuple[IntArray, Array]:
        """A text column as codes (-1 missing) and its distinct texts."""
        series = self.tables[table][name]
        return series.cat.codes.to_numpy().astype(np.int64), series.cat.categories.to_numpy(dtype=object)

    def stated(self, table: str, name: str) -> Array:
        """Whether each row has a value in the column."""
        result: Array = self.tables[table][name].notna().to_numpy()
        return result

    def is_word(self, table: str, name: str, *words: str) -> Array:
        """Whether each row of a text column is one of `words`."""
        codes, texts = self.codes(table, name)
        return np.append(np.isin(texts, words), False)[codes]

    def sensor_of(self) -> IntArray:
        """(n calibrations,) position of each calibration's sensor among the sensors in use, -1 where there is none."""
        if "sensor_of" not in self._cache:
            codes, ids = self.codes("calibrations", "sensor_id")
            self._cache["sensor_of"] = np.append(self._place("sensors", "sensor_id", ids), -1)[codes]
        found: IntArray = self._cache["sensor_of"]
        return found

    def of_sensor(self, name: str) -> Array:
        """A column of the sensors, one value for each calibration; missing where the sensor is not known."""
        values = self.column("sensors", name)
        missing = {"f": np.nan, "M": np.datetime64("NaT")}.get(values.dtype.kind, "")
        return np.append(values, np.array([missing], dtype=values.dtype))[self.sensor_of()]

    def cylinder_known(self) -> Array:
        """(n calibrations,) whether the cylinder stands in the cylinders in use, for whatever gas."""
        codes, ids = self.codes("calibrations", "cylinder_id")
        known: Array = np.append(self._place("cylinders", "cylinder_id", ids) >= 0, False)[codes]
        return known

    def label_of(self) -> IntArray:
        """(n calibrations,) position of the cylinder's row for the sensor's gas, -1 where there is none."""
        if "label_of" not in self._cache:
            self._cache["label_of"] = self._labels()
        found: IntArray = self._cache["label_of"]
        return found

    def in_order(self) -> IntArray:
        """Positions of all calibrations sorted by sensor_id, time and row, whether in use or not."""
        if "in_order" not in self._kept:
            codes, ids = self.codes("calibrations", "sensor_id")
            rank = np.empty(len(ids) + 1, dtype=np.int64)
            rank[:-1][np.argsort(ids.astype(str), kind="stable")] = np.arange(len(ids))
            rank[-1] = len(ids)
            self._kept["in_order"] = sorted_order(rank[codes], self.integers("time"))
        found: IntArray = self._kept["in_order"]
        return found

    def integers(self, name: str) -> IntArray:
        """A time column of the calibrations in microseconds; missing times come first."""
        return self.column("calibrations", name).astype("datetime64[us]").view(np.int64)

    def _labels(self) -> IntArray:
        cylinder, ids = self.codes("calibrations", "cylinder_id")
        gas_of_sensor, gases = self.codes("sensors", "gas")
        rows = np.flatnonzero(self.used["cylinders"])[::-1]  # the first row of an id and gas is written last
        label_id = pd.Index(ids).get_indexer(pd.Index(self.column("cylinders", "cylinder_id")[rows], dtype=object))
        label_gas = pd.Index(gases).get_indexer(pd.Index(self.column("cylinders", "gas")[rows], dtype=object))
        table = np.full((len(ids) + 1, len(gases) + 1), -1, dtype=np.int64)
        known = (label_id >= 0) & (label_gas >= 0)
        table[label_id[known], label_gas[known]] = rows[known]
        found: IntArray = table[cylinder, np.append(gas_of_sensor, -1)[self.sensor_of()]]
        return found

    def _place(self, table: str, name: str, wanted: Array) -> IntArray:
        values = self.column(table, name)
        rows = np.flatnonzero(self.used[table])
        first = pd.Series(rows, index=pd.Index(values[rows], dtype=object))
        first = first[~first.index.duplicated()]
        at = first.index.get_indexer(pd.Index(wanted, dtype=object))
        return np.append(first.to_numpy(dtype=np.int64), -1)[at] if len(at) else np.empty(0, np.int64)

    def apply(self, batches: Sequence[Batch]) -> None:
        """Carry out what a check found, on rows still in use, and list it."""
        for batch in batches:
            done = batch.otherwise if batch.done == CORRECTED and not self._corrections else batch.done
            still = self.used[batch.table][batch.at]
            if not still.any():
                continue
            self.findings.append(self._listed(batch, done, still))
            at = batch.at[still]
            if done == SET_ASIDE:
                self.used[batch.table][at] = False
                self.set_aside[batch.table] += len(np.unique(at))
            elif batch.changes and (done == CORRECTED or batch.done != CORRECTED):
                for name, new in batch.changes.items():
                    self._change(batch.table, name, at, np.asarray(new)[still])
            self._cache.clear()

    def _change(self, table: str, name: str, at: IntArray, new: Array) -> None:
        frame = self.tables[table]
        if table == "calibrations" and name in ("sensor_id", "time"):
            self._kept.clear()
        if isinstance(frame[name].dtype, pd.CategoricalDtype):
            words = [word for word in pd.unique(pd.Series(new, dtype=object)) if word and word not in frame[name].cat.categories]
            column = frame[name].cat.add_categories(words) if words else frame[name].copy()
            codes = column.cat.codes.to_numpy().copy()
            codes[at] = column.cat.categories.get_indexer(pd.Index(new, dtype=object))
            column = pd.Series(pd.Categorical.from_codes(codes, categories=column.cat.categories), index=frame.index)
        else:
            values = frame[name].to_numpy().copy()
            values[at] = new
            column = pd.Series(values, index=frame.index)
        frame[name] = column

    def _listed(self, batch: Batch, done: str, still: Array) -> pd.DataFrame:
        frame = self.tables[batch.table]
        chosen = np.flatnonzero(still)
        chosen, count = (chosen, np.ones(len(chosen), dtype=np.int64)) if done == SET_ASIDE else self._heads(batch, chosen)
        at = batch.at[chosen]
        listed = pd.DataFrame({"row": frame["row"].to_numpy()[at], "count": count})
        listed["table"], listed["column"], listed["finding"], listed["done"] = batch.table, batch.column, batch.finding, done
        listed["sensor_id"] = self._sensors(batch, at)
        listed["value"] = self._shown(batch, at) if batch.values is None else np.asarray(batch.values, dtype=object)[chosen]
        listed["reason"] = batch.reason if batch.reasons is None else np.asarray(batch.reasons, dtype=object)[chosen]
        times = self.column(batch.table, "time")[at] if "time" in frame else _nat(len(at))
        listed["time"] = times if batch.times is None else batch.times[chosen]
        return listed

    def _heads(self, batch: Batch, chosen: IntArray) -> tuple[IntArray, IntArray]:
        """The first row of each group that gets one finding, and how many rows it stands for."""
        if batch.together:
            return chosen[:1], np.array([len(chosen)])
        if batch.by is None:
            return chosen, np.ones(len(chosen), dtype=np.int64)
        codes, words = self.codes(batch.table, batch.by)
        group = codes[batch.at[chosen]] + 1
        first = np.full(len(words) + 1, len(chosen))
        np.minimum.at(first, group, np.arange(len(chosen)))
        head = np.sort(first[first < len(chosen)])
        return chosen[head], np.bincount(group)[group[head]]

    def _sensors(self, batch: Batch, at: IntArray) -> Array | str:
        if "sensor_id" not in self.tables[batch.table] or batch.together or batch.by not in (None, "sensor_id"):
            return ""
        codes, ids = self.codes(batch.table, "sensor_id")
        return np.append(ids, "")[codes[at]]

    def _shown(self, batch: Batch, at: IntArray) -> list[str]:
        frame = self.tables[batch.table]
        if not batch.column or batch.column not in frame:
            return [""] * len(at)
        values = frame[batch.column].iloc[at]
        return ["" if pd.isna(value) else shown(value) for value in (values if hasattr(values, "cat") else values.to_numpy())]


def sorted_order(first: Array, second: Array) -> IntArray:
    """Stable order by `first`, then `second`; cheap where they are in order already."""
    same = first[1:] == first[:-1]
    if bool(np.all((first[1:] > first[:-1]) | (same & (second[1:] >= second[:-1])))):
        return np.arange(len(first), dtype=np.int64)
    order: Any = np.lexsort((second, first))
    return np.asarray(order, dtype=np.int64)


def shown(value: object) -> str:
    """A typed cell as a person would write it."""
    if isinstance(value, np.datetime64):
        return "" if np.isnat(value) else str(value.astype("datetime64[s]"))
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else f"{value:.10g}"
    return str(value)


def findings_table(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Findings as one table with the columns of the nomenclature; text "" and row <NA> where missing."""
    names = list(nomenclature.columns("findings"))
    frames = [frame.assign(time=_times(frame)) for frame in frames if len(frame)]
    table = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=names)
    for name in names:
        if name not in table:
            table[name] = pd.NaT if name == "time" else pd.NA if name in ("row", "count") else ""
    table["row"] = table["row"].astype("Int64")
    table["count"] = table["count"].astype("int64")
    table["time"] = table["time"].astype("datetime64[us]")
    for name, column in nomenclature.columns("findings").items():
        if column.type == "text":
            table[name] = table[name].astype("str").fillna("")
    return table[names]


def _times(frame: pd.DataFrame) -> Array:
    if "time" in frame:
        return frame["time"].to_numpy().astype("datetime64[us]")
    return _nat(len(frame))


def _nat(count: int) -> Array:
    return np.full(count, "NaT", dtype="datetime64[us]")
