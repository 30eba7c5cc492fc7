"""The forecast table: one row for every sensor, with a status, a reason and the numbers people act on."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from ..degradation.mixture import distribution, quantile
from ..degradation.reading_law import NO_LAWS, ReadingLaw, reading_of
from ..nomenclature import columns
from ..technologies import flat_technologies
from .lifedata import DAYS_PER_YEAR, years_between
from .remaining import RemainingLife, SuddenEnds, widened
from .soft import cells

if TYPE_CHECKING:
    from ..degradation.posterior import PathPosterior
    from ..records import Fleet
    from .calibration import Calibration

Array = NDArray[np.float64]

QUANTILES = {"p05": 0.05, "p10": 0.10, "p25": 0.25, "p50": 0.50, "p75": 0.75, "p90": 0.90, "p95": 0.95}
P_END_DAYS = (90, 180, 365)
MONTH = 30.0  # days
AT_END = 0.5  # a sensor is called "at end" when its latent headroom is at the limit with more than this probability
TOLD, TOLD_PART = 0.01, 0.1  # chance of an end by falls within a year, and its part in all, from which on it is told
OWN_READINGS = 2  # with fewer readings of its own, the lot speaks for a sensor
GAS_TESTS = ("span", "full", "bump")
RATES = ("ageing_per_year", "p_next_calibration_fails")  # not told from records that were kept only on failures


def forecast_table(
    remaining: RemainingLife,
    paths: Sequence[PathPosterior],
    lives: pd.DataFrame,
    fleet: Fleet,
    *,
    sudden: SuddenEnds | None = None,
    calibration_interval_days: float = 180.0,
    calibration: Calibration | None = None,
    laws: Mapping[str, ReadingLaw] = NO_LAWS,
) -> pd.DataFrame:
    """The table `forecast` of the nomenclature: one row per sensor of `fleet`, in its order.

    remaining: of the current lives (more do no harm). paths: the posteriors it was made from. lives: as given to
    `remaining_life`, with columns life_id, sensor_id, technology, installed, current. sudden, laws and
    calibration_interval_days serve the chance that the next calibration fails; its date is the last gas test plus
    that interval, or the as-of date when overdue. A sensor without a current life in `remaining` has a status and a
    reason and no numbers. Records that were kept only on failures tell no rates: those columns are then empty.
    """
    as_of = remaining.as_of
    table = _facts(fleet, as_of)
    at = pd.Index(table["sensor_id"])
    spans = lives[lives["current"].to_numpy(dtype=bool) & lives["life_id"].isin(set(remaining.life_id))]
    rows = at.get_indexer(pd.Index(spans["sensor_id"]))
    spans, rows = spans[rows >= 0], rows[rows >= 0]
    own = remaining.take(pd.Index(remaining.life_id).get_indexer(pd.Index(spans["life_id"])))
    now = _headroom_now([widened(path, calibration) for path in paths], spans, as_of)
    numbers = {**_numbers(own, table["warranty_end"].to_numpy()[rows]), **now}
    interval = table["last_gas_test"].to_numpy()[rows] + np.timedelta64(1, "D") * calibration_interval_days
    due = np.nan_to_num((interval - np.datetime64(as_of)) / np.timedelta64(1, "D"), nan=0.0)
    numbers["p_next_calibration_fails"] = next_calibration_fails(
        paths, spans, as_of, np.maximum(due, 0.0), sudden=sudden, calibration=calibration, laws=laws
    )
    numbers["age_days"] = years_between(spans["installed"], as_of) * DAYS_PER_YEAR
    status, reason = _status(own, spans, now)
    reason = _with_falls(reason, own)
    soft_unknown = np.array([text == "no forecast" for text in status])
    for name, values in numbers.items():
        filled = np.full(len(table), np.nan)
        filled[rows] = np.where(soft_unknown, np.nan, values) if name not in ("age_days", "readings_used") else values
        table[name] = filled if name != "age_days" else np.where(np.isnan(filled), table["age_days"], filled)
    table["mode"] = _placed(table, rows, np.where(soft_unknown, "", own.mode()), "")
    table["status"] = _placed(table, rows, status, table["status"].to_numpy(dtype=object))
    table["reason"] = _placed(table, rows, reason, table["reason"].to_numpy(dtype=object))
    table["horizon_capped"] = (table["horizon_capped"] == 1.0).astype(bool)
    table["readings_used"] = table["readings_used"].fillna(0).astype("int64")
    if fleet.selective_recording:
        table[list(RATES)] = np.nan
    return table[list(columns("forecast"))]


def _placed(table: pd.DataFrame, rows: NDArray[np.intp], values: ArrayLike, other: ArrayLike) -> NDArray[np.object_]:
    filled = np.empty(len(table), dtype=object)
    filled[:] = other
    filled[rows] = np.asarray(values, dtype=object)
    return filled


def _facts(fleet: Fleet, as_of: pd.Timestamp) -> pd.DataFrame:
    """What the records by themselves say of every sensor: age, last gas test, status of those without a forecast."""
    sensors = fleet.sensors
    removed = sensors["removed"].notna() & (sensors["removed"] <= as_of)
    early = sensors["installed"] > as_of
    end = sensors["removed"].where(removed, as_of)
    table = pd.DataFrame({"sensor_id": sensors["sensor_id"], "as_of": as_of, "warranty_end": sensors["warranty_end"]})
    table["age_days"] = np.where(early, np.nan, years_between(sensors["installed"], end) * DAYS_PER_YEAR)
    table["status"] = np.select([removed, early], ["removed", "not yet installed"], "no forecast").astype(object)
    told = sensors["removal_reason"].where(sensors["removal_reason"] != "", "no reason recorded")
    silent = fleet.findings[fleet.findings["finding"] == "removal not recorded"]
    said = dict(zip(silent["sensor_id"], silent["reason"]))
    told = pd.Series([said.get(name, text) for name, text in zip(sensors["sensor_id"], told)], index=sensors.index, dtype=object)
    table["reason"] = np.select(
        [removed, early],
        ["removed: " + told, "installed after the as-of date"],
        "no current life with a fitted path: too few readings of this kind of sensor",
    ).astype(object)
    tests = fleet.calibrations
    known = tests["kind"].isin(GAS_TESTS) & (tests["time"] <= as_of)
    last = _last_of_each(tests.loc[known, ["sensor_id", "time", "outcome"]]).set_index("sensor_id")
    table["last_gas_test"] = last["time"].reindex(table["sensor_id"]).to_numpy(dtype="datetime64[ns]")
    outcome = last["outcome"].astype(object).where(last["outcome"] != "", "unknown")
    table["last_gas_test_outcome"] = outcome.reindex(table["sensor_id"]).fillna("").to_numpy()
    return table.reset_index(drop=True)


def _last_of_each(tests: pd.DataFrame) -> pd.DataFrame:
    """The last test of each sensor in time, of those at one instant the one that stands last."""
    sensor, time = tests["sensor_id"].to_numpy(), tests["time"].to_numpy()
    ends = np.flatnonzero(np.r_[sensor[1:] != sensor[:-1], True][: sensor.size])
    in_order = np.diff(time) >= np.timedelta64(0)
    in_order[ends[:-1]] = True
    candidates = tests.iloc[ends] if in_order.all() else tests
    return candidates.sort_values("time", kind="stable").drop_duplicates("sensor_id", keep="last")


def _numbers(own: RemainingLife, warranty_end: NDArray[np.datetime64]) -> dict[str, Array]:
    numbers: dict[str, Array] = {}
    capped = np.zeros(own.life_id.size, dtype=bool)
    for name, q in QUANTILES.items():
        numbers[f"rul_days_{name}"], beyond = own.quantile(q)
        capped |= beyond
    numbers["horizon_capped"] = capped.astype(float)
    for days in P_END_DAYS:
        numbers[f"p_end_{days}d"] = own.p_end(days)
    left = (warranty_end - np.datetime64(own.as_of)) / np.timedelta64(1, "D")
    numbers["p_end_before_warranty_end"] = own.p_end(np.where(left >= 0, left, np.nan))
    return numbers


def _status(own: RemainingLife, spans: pd.DataFrame, now: dict[str, Array]) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    soft_end = ~spans["technology"].isin(flat_technologies()).to_numpy(dtype=bool)
    readings = now["readings_used"]
    fitted = np.isfinite(now["headroom_ratio"])
    at_limit = own.soft[:, 0] > AT_END
    cases = [soft_end & ~fitted, at_limit, ~soft_end, readings < OWN_READINGS]
    status = np.select(cases, ["no forecast", "at end", "forecast", "group forecast"], "forecast")
    count = np.char.add(np.nan_to_num(readings).astype(int).astype(str), " readings of its own")
    at_end = [f"headroom is at the limit with probability {p:.2f}" for p in own.soft[:, 0]]
    reason = np.select(
        cases,
        [
            np.full(readings.size, "too few readings of this kind of sensor to fit a path"),
            np.array(at_end, dtype="U80"),
            np.full(readings.size, "from ages at death: this technology stays flat and then ends"),
            np.char.add(count, ": its lot and kind speak for it"),
        ],
        np.char.add(count, ", with its kind and the gas it was tested on"),
    )
    return status.astype(object), reason.astype(object)


def _with_falls(reason: NDArray[np.object_], own: RemainingLife) -> NDArray[np.object_]:
    """The reasons, and how much of the chance of ending within a year falls at once bring, where that is worth a word."""
    year = P_END_DAYS[-1]
    chance, part = own.p_end(year), own.p_end_by_falls(year)
    told = reason.copy()
    for row in np.flatnonzero((part >= TOLD) & (part >= TOLD_PART * chance)):
        told[row] += (
            f"; of its {100 * chance[row]:.0f} % chance of ending within a year {100 * part[row]:.0f} % come from falls at once"
        )
    return told


def _headroom_now(paths: Sequence[PathPosterior], spans: pd.DataFrame, as_of: pd.Timestamp) -> dict[str, Array]:
    """Latent headroom ratio now with its 90 % interval, ageing rate, readings used: (n,), ordered as `spans`."""
    names = ("headroom_ratio", "headroom_ratio_p05", "headroom_ratio_p95", "ageing_per_year")
    result = {name: np.full(len(spans), np.nan) for name in names}
    result["readings_used"] = np.zeros(len(spans))
    for to, own, age in _matched(paths, spans, as_of):
        mean, variance = own.latent(age)
        for name, q in zip(names, (0.5, 0.05, 0.95)):
            result[name][to] = np.exp(quantile(own.weight, mean, np.maximum(variance, 1e-24), q))
        result["ageing_per_year"][to] = own.ageing_rate(age)
        result["readings_used"][to] = own.readings_used
    return result


def _matched(
    paths: Sequence[PathPosterior], spans: pd.DataFrame, as_of: pd.Timestamp
) -> Iterator[tuple[NDArray[np.intp], PathPosterior, Array]]:
    """Rows of `spans`, the part of each posterior that speaks of them, and their ages (years) on the as-of date."""
    ages = years_between(spans["installed"], as_of)
    position = pd.Index(spans["life_id"])
    for path in paths:
        rows = position.get_indexer(pd.Index(path.life_id))
        if (rows >= 0).any():
            yield rows[rows >= 0], path.take(rows >= 0), ages[rows[rows >= 0]]


def next_calibration_fails(
    paths: Sequence[PathPosterior],
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    days: ArrayLike,
    *,
    sudden: SuddenEnds | None = None,
    calibration: Calibration | None = None,
    laws: Mapping[str, ReadingLaw] = NO_LAWS,
) -> Array:
    """Chance (n,) that a calibration `days` from the as-of date (one number or one per life) cannot be adjusted.

    It fails where the reading of headroom is at or below the applied concentration (ratio 1): the latent path plus a
    new cylinder, the session and the noise with its tails, or as `laws` (stratum -> law) foretell readings; or where the
    sensor has died suddenly by then. NaN for a life without a fitted path.
    """
    ahead = np.broadcast_to(np.asarray(days, dtype=float), (len(lives),))
    chance = np.full(len(lives), np.nan)
    for to, own, age in _matched([widened(path, calibration) for path in paths], lives, as_of):
        mixture = reading_of(own, age + ahead[to] / DAYS_PER_YEAR, laws.get(own.stratum))
        chance[to] = distribution(*mixture, np.zeros(to.size))
    if sudden is not None:
        horizon = np.linspace(0.0, MONTH * np.ceil(max(float(ahead.max(initial=0.0)), 1.0) / MONTH), 60)
        dead = np.asarray(sudden.conditional_cdf(lives, as_of, horizon), dtype=float)
        place, share = cells(horizon, ahead)
        rows = np.arange(ahead.size)
        died = (1.0 - share) * dead[rows, place] + share * dead[rows, place + 1]
        chance = 1.0 - (1.0 - chance) * (1.0 - died)
    return chance
