"""What does not fit a sensor's own path: single bad readings, steps and unrecorded swaps, found with the gas known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health import wording
from sensorhealth.health.change_points import Rates
from sensorhealth.health.fault_search import find_faults
from sensorhealth.health.fault_tables import (
    STEP_COLUMNS,
    ended_by_itself,
    life_after_swaps,
    single_readings,
    steps_and_swaps,
)
from sensorhealth.health.sessions import judge_sessions
from sensorhealth.technologies import technologies

CLEANINGS_PER_YEAR = 0.3
SINGLE_COLUMNS = (
    "row", "life_id", "sensor_id", "stratum", "time", "cylinder", "session", "residual", "std_error", "probability",
    "recovered", "p_value", "likely", "advice",
)  # fmt: skip


@dataclass(frozen=True)
class Oddities:
    """What was found, and how sure.

    - steps: life_id (as it is after the swaps), sensor_id, stratum, time_before and time_after (last reading before and
      first after), earliest and latest (90 % interval of the date), first_row (row of the first reading after), size
      and std_error (ln ratio), probability, p_value, kind: down, up, swap.
    - swaps: the steps of kind swap with `time` (of the first reading of the new sensor): what `lives` takes as splits.
    - single_readings: row, life_id, sensor_id, stratum, time, cylinder, session, residual (ln ratio, less what the
    other
      readings of its path let expect), std_error, probability, p_value, recovered (True: the next reading is back on
      the path; None: only reading so far), likely (what it looks like, in words), advice.
    - sessions: see `sessions.judge_sessions`.
    - deviations: row, life_id, deviation and deviation_sd (each reading less what all others of its path let expect),
      odd (kept out as a single bad reading).
    - findings: as in the nomenclature.
    - false_discovery_rate: nominal rate, held over all sensors of the fleet; in a fleet without faults it is the
      probability of any false step, swap or single reading at all.
    """

    steps: pd.DataFrame
    swaps: pd.DataFrame
    single_readings: pd.DataFrame
    sessions: pd.DataFrame
    deviations: pd.DataFrame
    findings: pd.DataFrame
    false_discovery_rate: float

    def kept(self, readings: pd.DataFrame) -> pd.DataFrame:
        """The readings without the single bad ones that were followed by a recovery: what a fit should use."""
        odd = self.single_readings
        out = odd["row"][odd["recovered"].eq(True).fillna(False)]
        return readings[~readings["row"].isin(out)].reset_index(drop=True)


def find_oddities(
    readings: pd.DataFrame,
    lives: pd.DataFrame,
    residuals: pd.DataFrame | None = None,
    *,
    cylinders: pd.DataFrame | None = None,
    zeros: pd.DataFrame | None = None,
    false_discovery_rate: float = 0.05,
) -> Oddities:
    """Search all sensors for single bad readings, steps, unrecorded swaps, and visits that went wrong.

    readings, lives: as from `readings` and `lives`. residuals: of the ageing model, aligned with `readings` (columns
    gas_effect, session_effect, fitted are used: gas and session are taken off first, so that a change of cylinder is
    not taken for a step); None where there is no fit. cylinders: the contract's table, for stock concentrations. zeros:
    as from `zero_events`: what a contaminated zero did to a reading is then named as such, and both are findings.
    false_discovery_rate: expected share of false ones among the sensors flagged, over the whole fleet.
    """
    table = _sorted(readings, lives, residuals)
    if table.empty:
        return _nothing(false_discovery_rate)
    life = table["life"].to_numpy()
    start = np.flatnonzero(np.r_[True, life[1:] != life[:-1]])
    count = np.diff(np.r_[start, len(table)])
    stratum, names = pd.factorize(table["stratum"].to_numpy()[start], sort=True)
    technology = lives["technology"].to_numpy()[life[start]]
    rates = [_rates(technology[np.flatnonzero(stratum == k)[0]]) for k in range(len(names))]
    found = find_faults(
        table["net"].to_numpy(),
        table["age_years"].to_numpy(),
        start,
        count,
        stratum,
        rates,
        seen=_spoken(table),
        false_discovery_rate=false_discovery_rate,
    )
    table["deviation"], table["deviation_sd"] = found.deviation, found.deviation_sd
    first_life = table["life_id"].to_numpy()
    table["life_id"] = life_after_swaps(table, found)
    table["technology"] = lives["technology"].to_numpy(dtype=object)[life]
    table["instrument_id"] = lives["instrument_id"].to_numpy(dtype=object)[life]
    ended = ended_by_itself(table, first_life, lives["end_kind"].to_numpy(dtype=object)[life])
    singles = single_readings(table, found, ended)
    steps = steps_and_swaps(table, found, ended)
    table["odd"] = table["row"].isin(singles["row"])
    sessions = judge_sessions(table, false_discovery_rate)
    singles["likely"] = wording.likely_cause(singles, table, sessions, cylinders, zeros)
    singles["advice"] = wording.single_advice(singles)
    swaps = steps[steps["kind"] == "swap"].assign(time=lambda frame: frame["time_after"])
    return Oddities(
        steps=steps,
        swaps=swaps.reset_index(drop=True),
        single_readings=singles[list(SINGLE_COLUMNS)],
        sessions=sessions,
        deviations=table[["row", "life_id", "deviation", "deviation_sd", "odd"]],
        findings=wording.findings(singles, steps, sessions, zeros),
        false_discovery_rate=false_discovery_rate,
    )


def _sorted(readings: pd.DataFrame, lives: pd.DataFrame, residuals: pd.DataFrame | None) -> pd.DataFrame:
    """Readings by life and time, with the position of the life, the gas and session taken off (`net`)."""
    table = readings.copy()
    table["life"] = pd.Index(lives["life_id"]).get_indexer(pd.Index(readings["life_id"]))
    for name in ("gas_effect", "session_effect", "fitted"):
        known = residuals is not None and name in residuals
        table[name] = residuals[name].to_numpy(dtype=float) if residuals is not None and known else np.nan
    effects = table[["gas_effect", "session_effect"]].fillna(0.0)
    table["net"] = table["log_ratio"] - effects.sum(axis=1)
    table["session_effect"] = effects["session_effect"]
    table = table[(table["life"] >= 0) & np.isfinite(table["net"]) & np.isfinite(table["age_years"])]
    return table.sort_values(["life", "age_years", "row"], kind="stable", ignore_index=True)


def _spoken(table: pd.DataFrame) -> NDArray[np.bool_]:
    """False for a censored reading that says no more than is known: beyond the limit, on the side it was cut off, by
    the fit or by another attempt of the same visit."""
    censoring = table["censoring"].to_numpy()
    value = table["log_ratio"].to_numpy()
    beyond = censoring * (table["fitted"].to_numpy() - value) > 0
    visit = [table["life"], table["time"].dt.floor("D")]
    lowest = table["log_ratio"].where(censoring == 0).groupby(visit, sort=False).transform("min").to_numpy()
    return ~((censoring != 0) & (beyond | ((censoring < 0) & (lowest <= value))))


def _rates(technology: str) -> Rates:
    """How often faults happen to a technology; those that are cleaned jump up without a swap."""
    known = technologies().get(technology)
    return Rates(up=CLEANINGS_PER_YEAR) if known is not None and known.recovers else Rates()


def _nothing(false_discovery_rate: float) -> Oddities:
    """Oddities of a fleet without readings."""
    steps = pd.DataFrame(columns=list(STEP_COLUMNS))
    singles = pd.DataFrame(columns=list(SINGLE_COLUMNS))
    sessions = judge_sessions(pd.DataFrame(), false_discovery_rate)
    deviations = pd.DataFrame(columns=["row", "life_id", "deviation", "deviation_sd", "odd"])
    found = wording.findings(singles, steps, sessions)
    swaps = steps.assign(time=steps["time_after"])
    return Oddities(steps, swaps, singles, sessions, deviations, found, false_discovery_rate)
