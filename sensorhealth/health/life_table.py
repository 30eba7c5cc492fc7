"""The lives of the sensors: one row per sensing element from installation to its end, under observation or not."""

from __future__ import annotations

from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

SOFT_ENDS = ("worn",)
SUDDEN_ENDS = ("sudden", "poisoned", "damaged")
GAS_TESTS = ("span", "full", "bump")
CARRIED = ("lot", "supplier", "model", "site", "instrument_id", "manufactured")
COLUMNS = (
    "life_id", "sensor_id", "technology", "gas", "stratum", "lot", "supplier", "model", "site", "instrument_id",
    "installed", "manufactured", "entered", "last_test", "ended", "end_kind", "removal_reason", "last_alive", "current",
)  # fmt: skip


class FleetTables(Protocol):
    """What this room needs of the records: the three tables of the contract, as properties."""

    @property
    def sensors(self) -> pd.DataFrame: ...
    @property
    def calibrations(self) -> pd.DataFrame: ...
    @property
    def cylinders(self) -> pd.DataFrame: ...


def seconds(times: pd.Series | pd.Index) -> NDArray[np.int64]:
    """Times as whole seconds since 1970; NaT becomes the smallest integer."""
    return np.asarray(times, dtype="datetime64[s]").astype(np.int64)


def _times(times: pd.Series) -> NDArray[np.datetime64]:
    return np.asarray(times, dtype="datetime64[ns]")


def lives(fleet: FleetTables, splits: pd.DataFrame | None = None, ends: pd.DataFrame | None = None) -> pd.DataFrame:
    """One row per sensor life, sorted by sensor and start.

    splits: columns sensor_id, time: unrecorded swaps, each of which starts a new life at `time` (the first reading of
    the new element belongs to the new life). ends: as in `Oddities.ends`: a life that ended by a step down ended at once
    and did not wear out, whatever reason was written down for its removal. Columns out:

    - life_id: the sensor_id for the first life, sensor_id + "/2" and so on after a swap; sensor_id, technology, gas,
      stratum ("technology gas"), lot, supplier, model, site, instrument_id, manufactured: as in the records (lot,
      supplier, model and date of make are unknown, hence empty, after an unrecorded swap);
    - installed: start of the life; entered: first time under observation (installed, or the start of the site's records
      where that is later: left truncation);
    - last_test: last gas test (span, full or bump, not aborted), NaT for none; last_alive: last gas test that it
      passed, or `entered` where it never passed one;
    - ended, end_kind: removal, as soft (worn; or no reason is recorded, as at an unrecorded swap, and it failed its last gas
      test), sudden (sudden, poisoned, damaged, or by a step) or censored (any other or no reason); NaT and "" while running;
      removal_reason: as recorded; current: the last life of its sensor, running or ended.
    """
    sensors = fleet.sensors
    order = np.argsort(sensors["sensor_id"].to_numpy(dtype=object), kind="stable")
    table = sensors.iloc[order].reset_index(drop=True)
    frame = _one_life_each(table) if splits is None or splits.empty else _split(table, splits)
    frame["stratum"] = frame["technology"].astype(object) + " " + frame["gas"].astype(object)
    frame["entered"] = np.fmax(_times(frame["installed"]), _times(_start_of_records(fleet, frame["site"])))
    _add_tests(frame, fleet.calibrations)
    failed = _failed_and_gone(frame)
    frame.loc[failed, "end_kind"] = "soft"
    if ends is not None and len(ends):
        stepped, died = (frame["life_id"].isin(ends.loc[ends["how"] == how, "life_id"]) for how in ("step", "died"))
        frame.loc[(stepped | (died & failed)) & (frame["end_kind"] == "soft"), "end_kind"] = "sudden"
    return frame[list(COLUMNS)]


def _one_life_each(table: pd.DataFrame) -> pd.DataFrame:
    """Lives of sensors without unrecorded swaps."""
    frame = table[["sensor_id", "technology", "gas", "installed", *CARRIED]].copy()
    frame["life_id"] = frame["sensor_id"]
    frame["ended"] = table["removed"]
    reason = table["removal_reason"].astype(object)
    kind = np.where(reason.isin(SOFT_ENDS), "soft", np.where(reason.isin(SUDDEN_ENDS), "sudden", "censored"))
    frame["end_kind"] = np.where(table["removed"].isna(), "", kind)
    frame["removal_reason"] = np.where(table["removed"].isna(), "", reason.fillna(""))
    frame["current"] = True
    return frame


def _failed_and_gone(frame: pd.DataFrame) -> pd.Series:
    """Lives that ended for no recorded reason, swaps without a record among them, after a gas test that they failed and passed
    none since."""
    untold = (frame["end_kind"] == "censored") & (frame["removal_reason"] == "")
    return untold & (frame["last_test"] > frame["last_alive"])


def _split(table: pd.DataFrame, splits: pd.DataFrame) -> pd.DataFrame:
    """Lives of sensors some of which were swapped without a record."""
    frame = _one_life_each(table)
    cut = splits[["sensor_id", "time"]].drop_duplicates().sort_values(["sensor_id", "time"], ignore_index=True)
    cut = cut[cut["sensor_id"].isin(frame["sensor_id"])]
    position = pd.Index(frame["sensor_id"]).get_indexer(pd.Index(cut["sensor_id"]))
    born = frame["installed"].to_numpy()
    removed = frame["ended"].to_numpy()
    time = cut["time"].to_numpy()
    inside = (time > born[position]) & ~(time > removed[position])
    cut, position = cut[inside], position[inside]
    later = frame.iloc[position].reset_index(drop=True)
    later["installed"] = cut["time"].to_numpy()
    later[["lot", "supplier", "model"]] = ""
    later["manufactured"] = pd.NaT
    number = cut.groupby("sensor_id").cumcount().to_numpy() + 2
    later["life_id"] = [f"{sensor}/{k}" for sensor, k in zip(later["sensor_id"], number)]
    whole = pd.concat([frame.assign(_n=1), later.assign(_n=number)], ignore_index=True)
    whole = whole.sort_values(["sensor_id", "_n"], ignore_index=True, kind="stable")
    followed = (whole["sensor_id"] == whole["sensor_id"].shift(-1)).to_numpy()
    whole.loc[followed, "ended"] = whole["installed"].shift(-1)[followed]
    whole.loc[followed, "end_kind"] = "censored"
    whole.loc[followed, "removal_reason"] = ""
    whole["current"] = ~followed
    return whole.drop(columns="_n")


def _start_of_records(fleet: FleetTables, site: pd.Series) -> pd.Series:
    """First calibration at each of the sites given (NaT for a site without any), in that order."""
    sensors, calibrations = fleet.sensors, fleet.calibrations
    position = pd.Index(sensors["sensor_id"]).get_indexer(pd.Index(calibrations["sensor_id"]))
    where = pd.Series(sensors["site"].to_numpy()[position], index=calibrations.index)[position >= 0]
    first = calibrations["time"][position >= 0].groupby(where.to_numpy(dtype=object)).min()
    return first.reindex(pd.Index(site))


def life_of(frame: pd.DataFrame, sensor_id: pd.Series, time: pd.Series) -> NDArray[np.intp]:
    """Position in `frame` (the table of `lives`) of the life that each (sensor, time) falls in; -1 for an unknown
    sensor. A time before the first life counts to the first.
    """
    names = frame["sensor_id"]
    first = np.flatnonzero(~names.duplicated().to_numpy())
    sensor = pd.Index(names.iloc[first]).get_indexer(pd.Index(sensor_id))
    if len(first) == len(frame):
        return np.where(sensor >= 0, first[sensor], -1)
    start, when = seconds(frame["installed"]), seconds(time)
    low = min(start.min(), when.min(initial=start.min()))
    span = max(start.max(), when.max(initial=start.max())) - low + 2
    number = np.searchsorted(first, np.arange(len(frame)), side="right") - 1
    start_key = number * span + (start - low)
    start_key[first] = np.arange(len(first)) * span
    found = np.searchsorted(start_key, sensor * span + (when - low), side="right") - 1
    return np.where(sensor >= 0, found, -1)


def _add_tests(frame: pd.DataFrame, calibrations: pd.DataFrame) -> None:
    """Add last_test and last_alive."""
    tested = calibrations["kind"].isin(GAS_TESTS) & (calibrations["outcome"] != "aborted")
    tests = calibrations.loc[tested, ["sensor_id", "time", "outcome", "as_found", "as_left", "span_gain", "headroom"]]
    life = life_of(frame, tests["sensor_id"], tests["time"])
    valued = tests[["as_found", "as_left", "span_gain", "headroom"]].notna().any(axis=1)
    good = (tests["outcome"] == "pass") | ((tests["outcome"] == "") & valued)
    every = range(len(frame))
    last = tests["time"].groupby(life).max().reindex(every)
    passed = tests["time"][good].groupby(life[good]).max().reindex(every)
    frame["last_test"] = _times(last)
    alive = np.fmax(_times(passed), np.where(passed.isna(), _times(frame["entered"]), np.datetime64("NaT", "ns")))
    frame["last_alive"] = np.fmin(alive, _times(frame["ended"]))
