"""The whole way in one readable function: records -> health -> ageing -> life -> plan -> Analysis.

Read this file first: it is the house on one page. Each step is a room of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from . import compare, decide, degradation, health, life
from .decide import Policy
from .errors import RecordsError
from .records import Fleet
from .threads import one_thread

if TYPE_CHECKING:
    from .evaluate import TrackRecord

Progress = Callable[[str], None]

BUDGET_DRAWS = 60  # draws of what sensors share: the budget's P10 and P90 are then good to about 2 % of its spread
BUDGET_SEED = 20260301
FIRST_LOOK = {"curves": "exponential", "brownian": False, "parameter_uncertainty": False}  # enough to see what does not fit


@dataclass(frozen=True)
class Outlook:
    """How the fleet ages and how long each sensor has, before anything is decided.

    lives, readings (those used), oddities (faults found), baselines (of the zeros), ageing (fitted model), cylinders (judged),
    sudden (fitted), current (the lives that go on), paths and remaining (their distributions), calibration (of their spread,
    learnt on the past).
    """

    lives: pd.DataFrame
    readings: pd.DataFrame
    oddities: health.Oddities
    baselines: health.Baselines
    ageing: degradation.AgeingModel
    cylinders: pd.DataFrame
    sudden: life.SuddenLife
    current: pd.DataFrame
    paths: list[degradation.PathPosterior]
    remaining: life.RemainingLife
    calibration: life.Calibration


@dataclass(frozen=True)
class Analysis:
    """What the records say on the as-of date, and what to do.

    Tables (DataFrames; columns and units in `sensorhealth.nomenclature`): forecast and plan, one row per sensor; budget, one
    row per month for the fleet, each site and each technology; schemes (swaps by forecast, by the calendar, at failure);
    orders, visits, warranty, lots_table, cylinders, retest, findings. Behind them: fleet (as known on the as-of date), policy,
    calibration, lives, readings, oddities, baselines (of the zeros), ageing (the fitted model), sudden, paths and remaining
    (life distributions), zero_drift, response_times, and notes in words on what could not be done or told apart.
    """

    fleet: Fleet
    as_of: pd.Timestamp
    policy: Policy
    lives: pd.DataFrame
    readings: pd.DataFrame
    oddities: health.Oddities
    baselines: health.Baselines
    ageing: degradation.AgeingModel
    sudden: life.SuddenLife
    paths: list[Any]
    remaining: life.RemainingLife
    forecast: pd.DataFrame
    fleet_plan: decide.FleetPlan
    plan: pd.DataFrame
    budget: pd.DataFrame
    schemes: pd.DataFrame
    orders: pd.DataFrame
    visits: pd.DataFrame
    warranty: pd.DataFrame
    lots_table: pd.DataFrame
    cylinders: pd.DataFrame
    retest: pd.DataFrame
    zero_drift: pd.DataFrame
    response_times: pd.DataFrame
    findings: pd.DataFrame
    notes: tuple[str, ...]
    calibration: life.Calibration | None = None

    def shared_draws(self, policy: Policy | None = None) -> Iterator[life.RemainingLife]:
        """Life distributions in possible worlds, for budgets with honest bands."""
        return shared_draws(self, self.as_of, policy or self.policy)

    def evidence(self, sensor_ids: list[str] | None = None) -> str:
        """Printable evidence sheets (one HTML page) of these sensors; None: of those worth a test before their warranty ends."""
        chosen = decide.for_evidence(self.fleet_plan.facts) if sensor_ids is None else sensor_ids
        paths = decide.sensor_paths(self.ageing, self.lives, self.fleet_plan.facts, chosen)
        return decide.evidence_sheets(self.fleet_plan, self.fleet, self.readings, chosen, paths=paths, cylinders=self.cylinders)

    def lots(self, by: str = "lot", **options: Any) -> pd.DataFrame:
        """Compare the sensors of each value of column `by` (lot, supplier, site, model, ...) with the others of their kind."""
        if by == "lot" and not options:
            return self.lots_table
        return _lots(self, self.fleet, self.forecast, self.policy, by=by, **options)

    def lot_tables(self, by: str = "lot", *, watch_days: int | None = None) -> dict[str, pd.DataFrame]:
        """All that is known of the values of column `by`: the table of `lots`, and those of `compare.further_tables`."""
        fitted = (self.readings, _with_new_sensors(self.lives), self.ageing, by)
        return {"lots": self.lots(by), **compare.further_tables(*fitted, watch_days=watch_days)}

    def verdict(self, sensor_id: str) -> health.Verdict:
        """Sensor, gas or handling? What is known of one sensor's last reading, with the next step at the bench."""
        if sensor_id not in set(self.fleet.sensors["sensor_id"]):
            raise RecordsError(f"no sensor {sensor_id!r} in {self.fleet.source}; the column sensor_id of sensors lists them")
        return health.verdict(
            sensor_id, fleet=self.fleet, lives=self.lives, readings=self.readings, residuals=self.ageing.residuals_,
            oddities=self.oddities, cylinders=self.cylinders, forecast=self.forecast, zero_drift=self.zero_drift,
            response_times=self.response_times, zeros=health.zero_events(self.fleet, self.lives, known=self.baselines),
        )  # fmt: skip

    def track_record(self, **options: Any) -> TrackRecord:
        """Forecasts made on past dates, reading nothing after them, against what happened; see `evaluate.track_record`."""
        from .evaluate import track_record

        return track_record(self.fleet, self.policy, **{"lives": self.lives, **options})

    def summary(self, track_record: TrackRecord | None = None) -> list[str]:
        """Five to ten lines a planner can act on."""
        from .present.summary import summary_lines

        return summary_lines(self, track_record)

    def write(self, out: Path | str, *, audience: str = "planner", track_record: TrackRecord | None = None) -> None:
        """Write every table, the report, the workbook and the calendar into folder `out`, whole or not at all.

        track_record: as from `track_record()`, to be shown in the report; None where it is not wanted.
        """
        from .present.files import report_files
        from .records.outputs import write_folder

        write_folder(report_files(self, audience, track_record), out, protect=[self.fleet.source], part="report")

    def write_plan(self, out: Path | str) -> None:
        """Write plan, visits, orders, warranty list, budget, workbook and calendar into folder `out`."""
        from .present.files import plan_files
        from .records.outputs import write_folder

        write_folder(plan_files(self), out, protect=[self.fleet.source], part="plan")


@one_thread
def analyse(
    fleet: Fleet,
    as_of: pd.Timestamp | str | None = None,
    policy: Policy | Path | str | None = None,
    *,
    model: Mapping[str, Any] | None = None,
    calibration: life.Calibration | None = None,
    progress: Progress | None = None,
) -> Analysis:
    """Read all calibrations of `fleet` up to `as_of` together and say how every sensor ages, when it ends and what to do.

    as_of: the date the analysis stands on (its whole day is read); None for the day of the last calibration. policy: a Policy,
    a TOML file, or None for the defaults. model: settings of `degradation.AgeingModel` that differ from its defaults.
    calibration: a correction of the forecasts' spread learnt on the past. progress: called with the name of each step.
    Raises RecordsError where there is nothing to analyse, PolicyError for a policy that cannot be used.
    """
    step = progress or (lambda name: None)
    policy = policy if isinstance(policy, Policy) else Policy() if policy is None else Policy.load(policy)
    day = _as_of_day(fleet, as_of)
    known = fleet.known_at(day + pd.Timedelta(days=1) - pd.Timedelta(microseconds=1))

    ahead = look_ahead(known, day, policy, model=model, calibration=calibration, progress=step)
    forecast = life.forecast_table(
        ahead.remaining, ahead.paths, ahead.current, known, sudden=ahead.sudden, calibration=ahead.calibration,
        calibration_interval_days=policy.calibration_interval_days, laws=ahead.ageing.reading_laws(),
    )  # fmt: skip
    zeros = health.zero_drift(known, ahead.lives, zero_limit=policy.zero_limits(ahead.lives["stratum"]), known=ahead.baselines)
    responses = health.response_times(known, ahead.lives)
    step("comparing lots")
    lots = _lots(ahead, known, forecast, policy)
    step("planning")
    evidence = decide.Evidence(cylinders=ahead.cylinders, single_readings=ahead.oddities.single_readings)
    fresh = new_sensors(ahead, day, policy)
    plan = decide.plan_fleet(ahead.remaining, ahead.current, forecast, known, policy, evidence, fresh=fresh)
    step("budgeting")
    money = decide.budget_and_schemes(plan, shared_draws=shared_draws(ahead, day, policy))
    return Analysis(
        fleet=known, as_of=day, policy=policy, lives=ahead.lives, readings=ahead.readings, oddities=ahead.oddities,
        ageing=ahead.ageing, sudden=ahead.sudden, paths=ahead.paths, remaining=ahead.remaining, forecast=forecast,
        fleet_plan=plan, plan=plan.actions, budget=money.budget, schemes=money.schemes,
        orders=decide.orders(plan), visits=decide.visits(plan),
        warranty=decide.warranty_list(plan.facts, plan.ahead.leaves), lots_table=lots, cylinders=ahead.cylinders,
        retest=health.retest_list(known, ahead.cylinders), baselines=ahead.baselines,
        zero_drift=zeros, response_times=responses,
        findings=pd.concat([known.findings, ahead.oddities.findings, health.trend_findings(zeros, responses)], ignore_index=True),
        notes=(*known.notes, *ahead.ageing.notes_, *ahead.calibration.remarks, *decide.unknown_names(plan.facts)),
        calibration=ahead.calibration,
    )  # fmt: skip


@one_thread
def look_ahead(
    fleet: Fleet,
    day: pd.Timestamp,
    policy: Policy,
    *,
    model: Mapping[str, Any] | None = None,
    calibration: life.Calibration | None = None,
    progress: Progress | None = None,
) -> Outlook:
    """Fit the ageing model, look for what does not fit it, fit again without the faults, and look ahead from `day`.

    fleet: as known on that day. The first fit takes readings as they are (its noise has heavy tails); from its residuals, net
    of the gas, come single bad readings, steps and unrecorded swaps; a swap starts a new life, a step becomes part of the path,
    a bad reading is left out.
    """
    step = progress or (lambda name: None)
    settings = model or {}
    step("fitting the ageing model")
    lives = health.lives(fleet)
    readings = health.readings(fleet, lives)
    first = degradation.AgeingModel(**{**settings, **FIRST_LOOK}).fit(readings, lives, fleet.cylinders)
    step("looking for steps, swaps and single bad readings")
    seen = health.examine(fleet, lives, readings, first.residuals_)
    lives, used, oddities = seen.lives, seen.readings, seen.oddities
    step("fitting the ageing model again, net of what was found")
    ageing = degradation.AgeingModel(**settings)
    ageing.fit(used, _with_new_sensors(lives), fleet.cylinders, oddities.path_steps)
    cylinders = health.judge_cylinders(ageing.cylinder_effects_, fleet.cylinders, used, residuals=ageing.residuals_)
    step("forecasting")
    sudden = life.SuddenLife().fit(lives, day)
    current = _current(lives)
    paths = ageing.path_posterior(current, _age_years(current, day))
    calibration = life.with_own_past(calibration, ageing, lives, used, day, policy.margin)
    remaining = life.remaining_life(
        paths, sudden, current, day, margin=policy.margin, horizon_days=policy.horizon_days, calibration=calibration
    )
    return Outlook(lives, used, oddities, seen.baselines, ageing, cylinders, sudden, current, paths, remaining, calibration)


def _current(lives: pd.DataFrame) -> pd.DataFrame:
    """The lives that go on."""
    return lives[lives["current"] & lives["ended"].isna()].reset_index(drop=True)


def _lots(of: Outlook | Analysis, fleet: Fleet, forecast: pd.DataFrame, policy: Policy, **options: Any) -> pd.DataFrame:
    """Lots compared, at the policy's prices and with the forecast's claims; none where records tell no rates."""
    money = compare.Money(policy.unit_cost_default, policy.swap_cost, policy.budget_months / 12.0)
    usual = {"sensors": fleet.sensors, "forecast": forecast, "money": money}
    table = compare.lots(of.readings, _with_new_sensors(of.lives), of.ageing, **{**usual, **options})
    return table.iloc[:0] if fleet.selective_recording else table


def _age_years(lives: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    return (day - lives["installed"]).dt.total_seconds() / (365.25 * 86400.0)


def _one_new_sensor_of_each_kind(lives: pd.DataFrame) -> pd.DataFrame:
    """A life without readings for each stratum, named by it: the forecast of a sensor that is yet to be installed."""
    kinds = lives.drop_duplicates("stratum")[["technology", "gas", "stratum"]]
    text = dict.fromkeys(("sensor_id", "lot", "supplier", "model", "site", "instrument_id", "end_kind"), "")
    return kinds.assign(life_id=kinds["stratum"], current=False, **text)


def _with_new_sensors(lives: pd.DataFrame) -> pd.DataFrame:
    """The lives, and one of each kind that is yet to begin: what the ageing model is fitted on."""
    return pd.concat([lives, _one_new_sensor_of_each_kind(lives)], ignore_index=True)


def _new_lives(lives: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    return _one_new_sensor_of_each_kind(lives).assign(installed=day, entered=day)


def new_sensors(ahead: Outlook, day: pd.Timestamp, policy: Policy) -> life.RemainingLife:
    """Life distributions of new sensors, one row for each kind ("technology gas")."""
    kinds = _new_lives(ahead.lives, day)
    paths = ahead.ageing.path_posterior(kinds, 0.0)
    return life.remaining_life(paths, ahead.sudden, kinds, day, margin=policy.margin, horizon_days=policy.horizon_days)


def shared_draws(ahead: Outlook | Analysis, day: pd.Timestamp, policy: Policy) -> Iterator[life.RemainingLife]:
    """Life distributions given one draw each of what the sensors share: curves, fixed effects, lots, gas, hazards, events.

    Counts over a fleet are mixtures over these draws; taken as independent they come out far too sure of themselves.
    Rows of the current lives, or of a random part where they are very many, then of a new sensor of each kind. Month by month
    for the budget, and on while swaps are foreseen.
    """
    rng = np.random.default_rng(BUDGET_SEED)
    current = _current(ahead.lives)
    part = decide.drawn_lives(current, rng)
    lives = pd.concat([current.iloc[part], _new_lives(ahead.lives, day)], ignore_index=True)
    drawn = ahead.ageing.shared_draws(lives, _age_years(lives, day), BUDGET_DRAWS, rng)
    events = decide.shared_events(ahead.lives, day)
    hazards = [events.draw(hazard, rng) for hazard in ahead.sudden.draws(BUDGET_DRAWS, rng)]
    window = 31.0 * policy.budget_months
    grid = np.concatenate([np.arange(0.0, window, 30.0), np.arange(window, window + 540.0, 60.0)])
    grid = np.append(grid, max(policy.horizon_days, grid[-1] + 60.0))
    yield from life.remaining_draws(drawn, hazards, lives, day, margin=policy.margin, grid=grid, calibration=ahead.calibration)


def _as_of_day(fleet: Fleet, as_of: pd.Timestamp | str | None) -> pd.Timestamp:
    """The as-of date at midnight; the day of the last calibration where none is given."""
    first, last = fleet.calibrations["time"].min(), fleet.calibrations["time"].max()
    if pd.isna(last):
        raise RecordsError(f"{fleet.source}: there is no calibration to analyse")
    day = pd.Timestamp(as_of if as_of is not None else last).tz_localize(None).normalize()
    if day < first.normalize():
        raise RecordsError(f"as-of date {day.date()} is before the first calibration ({first.date()}): nothing was known then")
    return day


def compare_policies(
    fleet: Fleet,
    first: Policy | Path | str,
    second: Policy | Path | str,
    *,
    as_of: pd.Timestamp | str | None = None,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """Money, failures in service and wasted life of two policies on the same fleet and months, side by side."""
    base = analyse(fleet, as_of, first, progress=progress)
    other = second if isinstance(second, Policy) else Policy.load(second)
    again = any(getattr(base.policy, name) != getattr(other, name) for name in decide.FORECAST_KEYS)
    return decide.compare_plans(base, analyse(fleet, as_of, other, progress=progress) if again else base, other)
