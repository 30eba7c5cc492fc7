"""The track record: forecasts made on past dates, reading nothing after them, beside what happened."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ..errors import FitError, RecordsError
from ..health import lives as lives_of
from ..health import readings as readings_of
from ..life.calibration import Calibration
from ..life.worn import told_by_readings
from ..records.fleet import end_of
from . import measures
from .outcomes import already_over, ends, next_readings, reading_blur
from .past import CORRECTED, MODEL, Past, Refit, asked_lives, baseline_forecasts, model_forecast, past_dates
from .samples import end_rows, reading_rows
from .wording import learnt, sentence

if TYPE_CHECKING:
    from ..analysis import Analysis
    from ..decide import Policy
    from ..records import Fleet

NEXT_READING_WITHIN_DAYS = 1461.0


@dataclass(frozen=True)
class TrackRecord:
    """How good past forecasts were.

    table: one row per measure (nomenclature: track_record), all dates together where as_of is empty. forecasts: one
    row per forecaster, date and sensor, forecast of the end beside what came (evaluate/samples.py). readings: the
    same for the next reading. reliability: forecast probabilities beside shares that came. sentence: the result in
    one or two sentences, and one more on the correction where there is one. calibration: the correction learnt from all
    these dates, to hand to the next analysis. as_of_dates; notes.
    """

    table: pd.DataFrame
    forecasts: pd.DataFrame
    readings: pd.DataFrame
    reliability: pd.DataFrame
    sentence: str
    calibration: Calibration
    as_of_dates: tuple[pd.Timestamp, ...]
    notes: tuple[str, ...]

    def value(self, measure: str, forecaster: str = MODEL, horizon_days: float | None = None) -> float:
        """One value of the table, over all dates together; NaN where it is not there."""
        rows = self.table[self.table["as_of"].isna() & (self.table["measure"] == measure)]
        rows = rows[rows["forecaster"] == forecaster]
        if horizon_days is not None:
            rows = rows[rows["horizon_days"] == horizon_days]
        return float(rows["value"].iloc[0]) if len(rows) else float("nan")

    def corrected(self, analysis: Analysis, progress: Callable[[str], None] | None = None) -> Analysis:
        """The same analysis with its forecasts' spread corrected as this record teaches; itself where nothing is."""
        return analysis.recast(self.calibration, progress) if self.calibration.corrects else analysis


def track_record(
    fleet: Fleet,
    policy: Policy | None = None,
    as_of_dates: Sequence[pd.Timestamp | str] | None = None,
    *,
    model: Mapping[str, Any] | None = None,
    refit: Refit | None = None,
    lives: pd.DataFrame | None = None,
    gas: pd.Series | None = None,
    progress: Callable[[str], None] | None = None,
) -> TrackRecord:
    """Stand on past dates, refit on what was known then, forecast, and compare with what the rest of the records says.

    as_of_dates: None for four dates up to half a year before the end (see `past.past_dates`). model: settings of the
    ageing model for the refits. refit: how to look ahead from a date; None for `sensorhealth.outlook.look_ahead`. lives:
    lives as judged with hindsight (an analysis' table), so that an unrecorded swap found later ends the life it
    ended; None for the records' own. gas: what the gas did to each reading, as known with hindsight (see `compared`).
    Every forecast is made from `fleet.known_at(date)` alone. A date on which no model can be fitted is left out with a note.
    Raises RecordsError where no date is left.
    """
    from ..decide import Policy

    policy = policy or Policy()
    dates = [pd.Timestamp(date) for date in (past_dates(fleet) if as_of_dates is None else as_of_dates)]
    walks = walk_back(fleet, policy, dates, model=model, refit=refit, progress=progress)
    return compared(fleet, policy, walks, lives_of(fleet) if lives is None else lives, gas)


def walk_back(
    fleet: Fleet,
    policy: Policy,
    dates: Sequence[pd.Timestamp],
    *,
    model: Mapping[str, Any] | None = None,
    refit: Refit | None = None,
    progress: Callable[[str], None] | None = None,
) -> Iterator[tuple[pd.Timestamp, Past | str]]:
    """Each date, the earliest first, with what was seen ahead from it, or with why nothing could be; nothing later is read."""
    walk = refit or _whole_way(model or {})
    for date in sorted(dates):
        if progress is not None:
            progress(f"forecasting as on {date.date()}")
        try:
            yield date, walk(fleet.known_at(end_of(date)), date, policy)
        except (FitError, RecordsError) as error:
            yield date, f"{date.date()}: no forecast could be made then: {error}"


def compared(
    fleet: Fleet,
    policy: Policy,
    walks: Iterable[tuple[pd.Timestamp, Past | str]],
    hindsight: pd.DataFrame,
    gas: pd.Series | None = None,
) -> TrackRecord:
    """The forecasts of `walk_back` beside what came; hindsight: the lives as judged with all the records.

    gas: effect of the gas in log ratios, by row of the calibrations. What is forecast is the end on true gas: with it, readings
    tell of ends net of the gas, and who was removed for weak gas alone is lost, not worn. None: readings as they were taken.
    """
    later = readings_of(fleet, hindsight)
    by_gas = np.zeros(len(later)) if gas is None else gas.reindex(later["row"]).fillna(0.0).to_numpy(dtype=float)
    said = told_by_readings(later, float(np.log1p(policy.margin)), by_gas)
    blur = reading_blur(later.assign(log_ratio=later["log_ratio"] - by_gas), hindsight)
    last = fleet.calibrations["time"].max().normalize() + pd.Timedelta(days=1)
    end_blocks: list[pd.DataFrame] = []
    reading_blocks: list[pd.DataFrame] = []
    used: list[pd.Timestamp] = []
    notes = _misread(hindsight, said)
    corrects = False
    for date, past in walks:
        if isinstance(past, str):
            notes.append(past)
            continue
        before = learnt(reading_blocks, date)
        corrects = corrects or before.corrects
        blocks = _one_date(past, date, hindsight, later, last, policy, before, said, blur)
        end_blocks += blocks[0]
        reading_blocks += blocks[1]
        used.append(date)
    if not used:
        raise RecordsError("no past date leaves enough records to forecast from: " + "; ".join(notes or ["too short"]))
    if not corrects:
        end_blocks, reading_blocks = _without(CORRECTED, end_blocks), _without(CORRECTED, reading_blocks)
    return _record(end_blocks, reading_blocks, used, notes, policy)


def _misread(lives: pd.DataFrame, said: pd.DataFrame) -> list[str]:
    """What is said of sensors that were removed although they read low on weak gas only."""
    worn = lives.loc[lives["end_kind"] == "soft", "life_id"]
    number = int(said["misread"].reindex(worn).fillna(False).astype(bool).sum())
    if not number:
        return []
    who, had = ("1 sensor", "it was no end") if number == 1 else (f"{number} sensors", "they were no ends")
    return [f"{who} removed as worn had read low by the gas or the session alone, as far as is known now: {had}."]


def _whole_way(settings: Mapping[str, Any]) -> Refit:
    def refit(fleet: Fleet, date: pd.Timestamp, policy: Policy) -> Past:
        from ..outlook import look_ahead

        return look_ahead(fleet, date, policy, model=settings)

    return refit


def _decision_days(policy: Policy) -> float:
    return float(policy.lead_time_days + policy.calibration_interval_days)


def _one_date(
    past: Past,
    date: pd.Timestamp,
    hindsight: pd.DataFrame,
    later: pd.DataFrame,
    last: pd.Timestamp,
    policy: Policy,
    before: Calibration,
    said: pd.DataFrame,
    blur: Mapping[str, float],
) -> tuple[list[pd.DataFrame], list[pd.DataFrame]]:
    """Rows of forecasts beside outcomes of all forecasters on one date."""
    asked = asked_lives(past)
    moment = end_of(date)
    truth = ends(hindsight, asked, moment, last, said, blur)
    upcoming = next_readings(later, hindsight, asked, moment, NEXT_READING_WITHIN_DAYS)
    forecasts = [model_forecast(past, asked, upcoming, policy)]
    if before.corrects:
        forecasts.append(model_forecast(past, asked, upcoming, policy, before))
    forecasts += baseline_forecasts(past, asked, upcoming, date)
    open_still = ~already_over(past.readings, past.lives, asked, float(np.log1p(policy.margin)))
    end_blocks = [
        end_rows(one, asked, date, truth, _decision_days(policy))[open_still] for one in forecasts if one.cdf is not None
    ]
    reading_blocks = [reading_rows(one, asked, date, upcoming) for one in forecasts if one.reading is not None]
    if not before.corrects:  # a correction that corrects nothing forecasts alike
        for blocks in (end_blocks, reading_blocks):
            blocks.insert(1, blocks[0].assign(forecaster=CORRECTED))
    return end_blocks, reading_blocks


def _without(forecaster: str, blocks: list[pd.DataFrame]) -> list[pd.DataFrame]:
    return [block for block in blocks if not (block["forecaster"] == forecaster).any()]


def _record(
    end_blocks: list[pd.DataFrame],
    reading_blocks: list[pd.DataFrame],
    used: list[pd.Timestamp],
    notes: list[str],
    policy: Policy,
) -> TrackRecord:
    forecasts = pd.concat(end_blocks, ignore_index=True)
    readings = pd.concat(reading_blocks, ignore_index=True)
    table = measures.table(forecasts, readings, _decision_days(policy), policy.risk)
    calibration = learnt(reading_blocks, None)
    return TrackRecord(
        table=table,
        forecasts=forecasts,
        readings=readings,
        reliability=measures.reliability(forecasts),
        sentence=f"{sentence(table)} {calibration.note}" if calibration.corrects else sentence(table),
        calibration=calibration,
        as_of_dates=tuple(used),
        notes=(*notes, calibration.note),
    )
