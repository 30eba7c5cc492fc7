"""What does not fit a sensor's own path: single bad readings, steps and unrecorded swaps, found with the gas known."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sensorhealth.health import wording
from sensorhealth.health.change_points import Rates
from sensorhealth.health.ends import COLUMNS as END_COLUMNS
from sensorhealth.health.ends import (
    ENDS_BY_ITSELF,
    WORN,
    ends_between_readings,
    final_readings,
    last_of_life,
    removal_reasons,
)
from sensorhealth.health.fault_search import FoundFaults, find_faults
from sensorhealth.health.fault_tables import (
    STEP_COLUMNS,
    back_on_the_path,
    life_after_swaps,
    single_readings,
    steps_and_swaps,
)
from sensorhealth.health.headroom import only_passed
from sensorhealth.health.net import net_readings, spoken
from sensorhealth.health.path_filter import PathPrior
from sensorhealth.health.second_look import second_look
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
      and std_error (ln ratio), probability, p_value, kind: down, up, swap; ended: True where the sensor had ended at
      that first reading, so that one visit only stands after the step.
    - ends: sensors that ended between two readings: life_id, sensor_id, stratum, time_before, time_after, first_row,
      ratio_before (headroom ratio of the last reading before), size (ln ratio), at_least (True: it left no value, and fell by
      that much at least), probability, how: "step" (also in `steps`), "died" (no value any more), "ran out" (a technology that
      ends by collapse), "one reading" (low once and removed: a step or a leak, which nothing tells apart).
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
    - priors: what the paths of each stratum have in common, as the search had it.
    """

    steps: pd.DataFrame
    ends: pd.DataFrame
    swaps: pd.DataFrame
    single_readings: pd.DataFrame
    sessions: pd.DataFrame
    deviations: pd.DataFrame
    findings: pd.DataFrame
    false_discovery_rate: float
    priors: Mapping[str, PathPrior]

    @property
    def path_steps(self) -> pd.DataFrame:
        """The steps after which a path went on: what a fit should take as known."""
        return self.steps[(self.steps["kind"] != "swap") & ~self.steps["ended"].astype(bool)]

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
    priors: Mapping[str, PathPrior] | None = None,
) -> Oddities:
    """Search all sensors for single bad readings, steps, unrecorded swaps, and visits that went wrong.

    readings, lives: as from `readings` and `lives`. residuals: of the ageing model, aligned with `readings` (columns
    gas_effect, session_effect, fitted are used: gas and session are taken off first, so that a change of cylinder is
    not taken for a step); None where there is no fit. cylinders: the contract's table, for stock concentrations. zeros:
    as from `zero_events`: what a contaminated zero did to a reading is then named as such, and both are findings.
    false_discovery_rate: expected share of false ones among the sensors flagged, over the whole fleet. priors: of the strata,
    where others of their kinds taught them (`Oddities.priors`); learnt here where one is not among them.
    """
    table = net_readings(readings, lives, residuals)
    if table.empty:
        return _nothing(false_discovery_rate)
    life = table["life"].to_numpy()
    for name in ("technology", "instrument_id", "end_kind"):
        table[name] = lives[name].to_numpy(dtype=object)[life]
    table["removal_reason"] = removal_reasons(lives)[life]
    searched, used = _search(table, false_discovery_rate, priors or {})
    found = second_look(table, searched)
    valued = ~only_passed(table)
    table["deviation"], table["deviation_sd"] = np.where(valued, found.deviation, np.nan), found.deviation_sd
    table["life_id"] = life_after_swaps(table, found)
    named = table["life_id"].to_numpy()
    replaced = pd.Series(named != named[last_of_life(life)], index=table.index)
    table.loc[replaced, "removal_reason"] = ""
    table["over"] = replaced | (table["end_kind"] != "")
    ended = replaced.to_numpy() | table["end_kind"].isin(ENDS_BY_ITSELF).to_numpy()
    back = back_on_the_path(table, found)
    ends = ends_between_readings(table, found, ended, back)
    told = ends.loc[ends["how"] != WORN, list(END_COLUMNS)].drop_duplicates("life_id", ignore_index=True)
    singles = single_readings(table, found, back, ends)
    steps = steps_and_swaps(table, found, ends)
    table["odd"] = table["row"].isin(singles["row"])
    sessions = judge_sessions(table if valued.all() else table[valued], false_discovery_rate)
    singles["likely"] = wording.likely_cause(singles, table, sessions, cylinders, zeros)
    singles["advice"] = wording.single_advice(singles)
    swaps = steps[steps["kind"] == "swap"].assign(time=lambda frame: frame["time_after"])
    return Oddities(
        steps=steps,
        ends=told,
        swaps=swaps.reset_index(drop=True),
        single_readings=singles[list(SINGLE_COLUMNS)],
        sessions=sessions,
        deviations=table.loc[valued, ["row", "life_id", "deviation", "deviation_sd", "odd"]],
        findings=wording.findings(singles, steps, told, sessions, zeros),
        false_discovery_rate=false_discovery_rate,
        priors=used,
    )


def _search(
    table: pd.DataFrame, false_discovery_rate: float, known: Mapping[str, PathPrior]
) -> tuple[FoundFaults, dict[str, PathPrior]]:
    """All faults of all lives, from readings by life and time, and the priors of their strata."""
    life = table["life"].to_numpy()
    start = np.flatnonzero(np.r_[True, life[1:] != life[:-1]])
    stratum, names = pd.factorize(table["stratum"].to_numpy()[start], sort=True)
    technology = table["technology"].to_numpy()[start]
    found = find_faults(
        table["net"].to_numpy(),
        table["age_years"].to_numpy(),
        start,
        np.diff(np.r_[start, len(table)]),
        stratum,
        [_rates(technology[np.flatnonzero(stratum == k)[0]]) for k in range(len(names))],
        seen=spoken(table),
        ending=final_readings(table, table["end_kind"].isin(ENDS_BY_ITSELF).to_numpy()),
        doubt=table["gas_variance"].to_numpy(),
        false_discovery_rate=false_discovery_rate,
        priors=[known[name] for name in names] if all(name in known for name in names) else None,
    )
    return found, dict(zip(names, found.priors))


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
    ends = pd.DataFrame(columns=list(END_COLUMNS))
    found = wording.findings(singles, steps, ends, sessions)
    swaps = steps.assign(time=steps["time_after"])
    return Oddities(steps, ends, swaps, singles, sessions, deviations, found, false_discovery_rate, {})
