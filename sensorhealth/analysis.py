"""The whole way in one readable function: records -> health -> ageing -> life -> plan -> Analysis.

Read this file first: it is the house on one page. Each step is a room of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from . import compare, decide, degradation, health, life
from .decide import Policy
from .errors import RecordsError
from .outlook import Outlook, Progress, look_ahead, new_sensors, outlook_of, shared_draws, with_new_sensors
from .records import Fleet
from .records.fleet import end_of
from .second_core import MANY, alongside
from .threads import one_thread

if TYPE_CHECKING:
    from .evaluate import TrackRecord
    from .present.files import Parts


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
        usual = {"by": by, "forecast": self.forecast}
        return compared_lots(self.readings, self.lives, self.ageing, self.fleet, self.policy, **{**usual, **options})

    def lot_tables(self, by: str = "lot", *, watch_days: int | None = None) -> dict[str, pd.DataFrame]:
        """All that is known of the values of column `by`: the table of `lots`, and those of `compare.further_tables`."""
        fitted = (self.readings, with_new_sensors(self.lives), self.ageing, by)
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

        return track_record(
            self.fleet,
            self.policy,
            **{"lives": self.lives, "gas": life.gas_by_row(self.readings, self.ageing.residuals_), **options},
        )

    def recast(self, calibration: life.Calibration, progress: Progress | None = None) -> Analysis:
        """The same fit with its forecasts' spread corrected, and all that follows from the forecasts anew."""
        ahead = outlook_of(self, calibration).corrected(calibration, self.as_of, self.policy)
        return decided(ahead, self.fleet, self.as_of, self.policy, progress, before=self)

    def under(self, policy: Policy, progress: Progress | None = None) -> Analysis:
        """The same fit under another policy, and all that follows from the policy anew."""
        return decided(outlook_of(self).under(self.as_of, policy), self.fleet, self.as_of, policy, progress)

    def summary(self, track_record: TrackRecord | None = None) -> list[str]:
        """Five to ten lines a planner can act on."""
        from .present.summary import summary_lines

        return summary_lines(self, track_record)

    def write(
        self,
        out: Path | str,
        *,
        audience: str = "planner",
        track_record: TrackRecord | None = None,
        parts: Parts | None = None,
    ) -> None:
        """Write every table, the report, the workbook and the calendar into folder `out`, whole or not at all.

        track_record: as from `track_record()`, to be shown in the report; None where it is not wanted. parts: as from
        `present.files.parts_of`, where they were made beforehand.
        """
        from .present.files import report_files
        from .records.outputs import write_folder

        write_folder(report_files(self, audience, track_record, parts), out, protect=[self.fleet.source], part="report")

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
    policy = _policy(policy)
    day = _as_of_day(fleet, as_of)
    known = fleet.known_at(end_of(day))
    return decided(look_ahead(known, day, policy, model=model, calibration=calibration, progress=step), known, day, policy, step)


def analyse_and_look_back(
    fleet: Fleet,
    as_of: pd.Timestamp | str | None = None,
    policy: Policy | Path | str | None = None,
    *,
    dates: int | None = None,
    progress: Progress | None = None,
    meanwhile: Callable[[Analysis], object] | None = None,
) -> tuple[Analysis, TrackRecord | None]:
    """`analyse`, and beside it, in a process of its own, forecasts as they would have been made on past dates.

    dates: how many past dates; None for the usual one, a year back. The forecasts' spread is corrected where that past says so.
    meanwhile: called with the analysis before that, for what can be done while the past is not through.
    The second is None where the records are too short to look back, or so many (`evaluate.LARGEST`) that it is done only when
    `dates` asks.
    """
    from .evaluate import LARGEST, beside, past_dates

    policy = _policy(policy)
    day = _as_of_day(fleet, as_of)
    known = fleet.known_at(end_of(day))
    if dates is None and len(known.calibrations) > LARGEST:
        return analyse(fleet, day, policy, progress=progress), None
    with beside(known, policy, None if dates is None else past_dates(known, dates)) as past:
        ahead = look_ahead(known, day, policy, progress=progress)
        past.ask(ahead.lives, life.gas_by_row(ahead.readings, ahead.ageing.residuals_))
        analysis = decided(ahead, known, day, policy, progress)  # most pasts correct nothing, and would be waited for
        if meanwhile is not None:
            meanwhile(analysis)
        if progress is not None:
            progress("comparing past forecasts with what happened")
        record = past.record()
    return analysis if record is None else record.corrected(analysis, progress), record


@one_thread
def decided(
    ahead: Outlook,
    known: Fleet,
    day: pd.Timestamp,
    policy: Policy,
    progress: Progress | None = None,
    *,
    before: Analysis | None = None,
) -> Analysis:
    """What to do, given the outlook of the fleet `known` on that day: forecasts, lots, plan, budget.

    before: an analysis of the same fit with other forecasts, from which what does not follow from them is taken.
    """
    step = progress or (lambda name: None)
    few = before is None and len(ahead.current) < MANY
    with alongside(partial(zeros_and_responses, ahead, known, policy), worth=few) as judged:
        forecast = forecast_of(ahead, known, policy)
        zeros, responses = judged() if before is None else (before.zero_drift, before.response_times)

    def compared() -> pd.DataFrame:
        if before is None:
            return compared_lots(ahead.readings, ahead.lives, ahead.ageing, known, policy, forecast=forecast)
        return compare.with_claims(before.lots_table, with_new_sensors(ahead.lives), forecast)

    step("comparing lots")
    with alongside(compared, worth=few) as lots_compared:
        step("planning")
        plan = planned(ahead, known, day, policy, forecast, zeros)
        step("budgeting")
        money = decide.budget_and_schemes(plan, shared_draws=shared_draws(ahead, day, policy))
        lots = lots_compared()
    return Analysis(
        fleet=known, as_of=day, policy=policy, lives=ahead.lives, readings=ahead.readings, oddities=ahead.oddities,
        ageing=ahead.ageing, sudden=ahead.sudden, paths=ahead.paths, remaining=ahead.remaining, forecast=forecast,
        fleet_plan=plan, plan=plan.actions, budget=money.budget, schemes=money.schemes,
        orders=decide.orders(plan), visits=decide.visits(plan),
        warranty=decide.warranty_list(plan.facts, plan.ahead.leaves), lots_table=lots, cylinders=ahead.cylinders,
        retest=health.retest_list(known, ahead.cylinders), baselines=ahead.baselines,
        zero_drift=zeros, response_times=responses,
        findings=all_findings(ahead, known, zeros, responses),
        notes=(*known.notes, *ahead.remarks, *decide.unknown_names(plan.facts)),
        calibration=ahead.calibration,
    )  # fmt: skip


def forecast_of(ahead: Outlook, known: Fleet, policy: Policy) -> pd.DataFrame:
    """The forecast of every sensor."""
    return life.forecast_table(
        ahead.remaining, ahead.paths, ahead.current, known, sudden=ahead.sudden, calibration=ahead.calibration,
        calibration_interval_days=policy.calibration_interval_days, laws=ahead.ageing.reading_laws(),
    )  # fmt: skip


def zeros_and_responses(ahead: Outlook, known: Fleet, policy: Policy) -> tuple[pd.DataFrame, pd.DataFrame]:
    """How zeros drift, and response times."""
    zeros = health.zero_drift(known, ahead.lives, zero_limit=policy.zero_limits(ahead.lives["stratum"]), known=ahead.baselines)
    return zeros, health.response_times(known, ahead.lives)


def planned(
    ahead: Outlook, known: Fleet, day: pd.Timestamp, policy: Policy, forecast: pd.DataFrame, zeros: pd.DataFrame
) -> decide.FleetPlan:
    """What to do with every sensor."""
    evidence = decide.Evidence(cylinders=ahead.cylinders, single_readings=ahead.oddities.single_readings, zeros=zeros)
    fresh = new_sensors(ahead, day, policy)
    return decide.plan_fleet(ahead.remaining, ahead.current, forecast, known, policy, evidence, fresh=fresh)


def all_findings(ahead: Outlook, known: Fleet, zeros: pd.DataFrame, responses: pd.DataFrame) -> pd.DataFrame:
    """What was found in the records, by the search for faults, and in the trends."""
    trends = health.trend_findings(zeros, responses)
    return pd.concat([known.findings, ahead.oddities.findings, trends], ignore_index=True)


def money_of(policy: Policy) -> compare.Money:
    """The policy's prices, as lots are compared at."""
    return compare.Money(policy.unit_cost_default, policy.swap_cost, policy.budget_months / 12.0)


def compared_lots(
    readings: pd.DataFrame, lives: pd.DataFrame, ageing: degradation.AgeingModel, fleet: Fleet, policy: Policy, **options: Any
) -> pd.DataFrame:
    """Lots compared, at the policy's prices; none where records tell no rates. options: of `compare.lots`."""
    usual = {"sensors": fleet.sensors, "money": money_of(policy)}
    table = compare.lots(readings, with_new_sensors(lives), ageing, **{**usual, **options})
    return table.iloc[:0] if fleet.selective_recording else table


def _policy(policy: Policy | Path | str | None) -> Policy:
    return policy if isinstance(policy, Policy) else Policy() if policy is None else Policy.load(policy)


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
    own = base.under(other, progress) if again else None
    plans = base.fleet_plan, own.fleet_plan if own else base.fleet_plan.under(other)
    draws = own.shared_draws() if own else None
    return decide.compare_policies(*plans, shared_draws=base.shared_draws(), second_draws=draws)
