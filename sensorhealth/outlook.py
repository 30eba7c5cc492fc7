"""The outlook: how the fleet ages and how long each sensor has, before anything is decided."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd

from . import decide, degradation, health, life
from .second_core import MANY, alongside
from .threads import one_thread

if TYPE_CHECKING:
    from .analysis import Analysis
    from .decide import Policy
    from .records import Fleet

Progress = Callable[[str], None]
Beside = TypeVar("Beside")

BUDGET_DRAWS = 60  # draws of what sensors share: the budget's P10 and P90 are then good to about 2 % of its spread
YEAR = 365  # days
BUDGET_SEED = 20260301
TEXTS_IN_DRAWS = ("life_id", "stratum", "technology", "site")
IN_DRAWS = (*TEXTS_IN_DRAWS, "current", "installed", "last_test")  # of lives; rows are taken in every draw
# enough to see what does not fit
FIRST_LOOK = {"curves": "exponential", "brownian": False, "parameter_uncertainty": False, "sessions": "large"}


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

    @property
    def remarks(self) -> tuple[str, ...]:
        """What the fit and the past taught, in words."""
        kind = self.current.set_index("life_id")["stratum"].reindex(self.remaining.life_id).to_numpy(dtype=object)
        ends = pd.DataFrame({"all": self.remaining.p_end(YEAR), "falls": self.remaining.p_end_by_falls(YEAR)}).groupby(kind).sum()
        part = {str(name): float(item["falls"]) / max(float(item["all"]), 1e-9) for name, item in ends.iterrows()}
        return (*self.ageing.notes_, *self.calibration.remarks, *self.sudden.falls.remarks(part))

    def corrected(self, calibration: life.Calibration, day: pd.Timestamp, policy: Policy) -> Outlook:
        """The same fit with its forecasts' spread corrected."""
        return self._forecast_with(calibration.with_past_of(self.calibration), day, policy)

    @one_thread
    def under(self, day: pd.Timestamp, policy: Policy) -> Outlook:
        """The same fit with forecasts under a policy of another margin or horizon, and what the past teaches of ends there."""
        falls = self.sudden.falls
        own = life.with_own_past(self.calibration, self.ageing, self.lives, self.readings, day, policy.margin, falls)
        return self._forecast_with(own, day, policy)

    def _forecast_with(self, calibration: life.Calibration, day: pd.Timestamp, policy: Policy) -> Outlook:
        remaining = life.remaining_life(
            self.paths, self.sudden, self.current, day, margin=policy.margin, horizon_days=policy.horizon_days,
            calibration=calibration,
        )  # fmt: skip
        return replace(self, remaining=remaining, calibration=calibration)


def outlook_of(analysis: Analysis, usual: life.Calibration | None = None) -> Outlook:
    """What an analysis saw ahead; usual: the calibration where it has none."""
    return Outlook(
        analysis.lives, analysis.readings, analysis.oddities, analysis.baselines, analysis.ageing, analysis.cylinders,
        analysis.sudden, current_lives(analysis.lives), analysis.paths, analysis.remaining,
        analysis.calibration or usual or life.Calibration(),
    )  # fmt: skip


@dataclass(frozen=True)
class Learnt:
    """What some sensors of every kind of a fleet taught of all: models of the first look and of ageing, what the paths of a kind
    have in common where faults are looked for, hazards of sudden ends, the calibration of the forecasts, events that sensors
    share, and notes in words."""

    first: degradation.AgeingModel
    priors: Mapping[str, health.PathPrior]
    ageing: degradation.AgeingModel
    sudden: life.SuddenLife
    calibration: life.Calibration
    events: decide.SharedEvents
    notes: tuple[str, ...]


@one_thread
def learn(
    fleet: Fleet,
    day: pd.Timestamp,
    policy: Policy,
    beside: Callable[[health.Examined, degradation.AgeingModel], Beside],
    *,
    model: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
) -> tuple[Learnt, Beside]:
    """What the sensors of `fleet` teach of others of their kinds, and what `beside` makes of what was seen in their records and
    of their own model."""
    step = progress or (lambda name: None)
    seen, first = _examined(fleet, model or {}, step)
    first = first.kinds_alone(laws=False)
    ageing = _refitted(fleet, seen, model, step)
    step("learning from what came")
    with alongside(lambda: (beside(seen, ageing), ageing.kinds_alone())) as besides:
        sudden = life.SuddenLife().fit(seen.lives, day, _falls(seen))
        events = decide.shared_events(sudden.falls.spared(seen.lives), day)
        calibration = life.with_own_past(None, ageing, seen.lives, seen.readings, day, policy.margin, sudden.falls)
        notes = (*ageing.notes_, *calibration.remarks, *sudden.falls.remarks())
        compared, kinds = besides()
        return Learnt(first, seen.oddities.priors, kinds, sudden, calibration, events, notes), compared


@one_thread
def look_ahead(
    fleet: Fleet,
    day: pd.Timestamp,
    policy: Policy,
    *,
    model: Mapping[str, Any] | None = None,
    calibration: life.Calibration | None = None,
    progress: Progress | None = None,
    learnt: Learnt | None = None,
) -> Outlook:
    """Fit the ageing model, look for what does not fit it, fit again without the faults, and look ahead from `day`.

    fleet: as known on that day. The first fit takes readings as they are (its noise has heavy tails); from its residuals, net
    of the gas, come single bad readings, steps and unrecorded swaps; a swap starts a new life, a step becomes part of the path,
    a bad reading is left out. learnt: what others of the fleet taught (`learn`), in place of fits to these readings.
    """
    seen, _ = _examined(fleet, model or {}, progress or (lambda name: None), learnt)
    return _ahead(fleet, seen, day, policy, model=model, calibration=calibration, progress=progress, learnt=learnt)


def _examined(
    fleet: Fleet, settings: Mapping[str, Any], step: Progress, learnt: Learnt | None = None
) -> tuple[health.Examined, degradation.AgeingModel]:
    """What does not fit a first look at the readings, and the model of that look."""
    step("fitting the ageing model")
    lives = health.lives(fleet)
    readings = health.readings(fleet, lives)
    with alongside(partial(health.baselines, fleet, lives), worth=len(lives) < MANY) as base:
        if learnt is None:
            first = degradation.AgeingModel(**{**settings, **FIRST_LOOK}).fit(readings, lives, fleet.cylinders)
        else:
            first = learnt.first.for_others(readings, lives, fleet.cylinders)
        step("looking for steps, swaps and single bad readings")
        priors = None if learnt is None else learnt.priors
        return health.examine(fleet, lives, readings, first.residuals_, priors, base()), first


def _refitted(
    fleet: Fleet, seen: health.Examined, model: Mapping[str, Any] | None, step: Progress, learnt: Learnt | None = None
) -> degradation.AgeingModel:
    """The ageing model without the faults that were seen."""
    step("fitting the ageing model again, net of what was found")
    frames = seen.readings, with_new_sensors(seen.lives), fleet.cylinders, seen.oddities.path_steps
    if learnt is not None:
        return learnt.ageing.for_others(*frames)
    return degradation.AgeingModel(**(model or {})).fit(*frames)


def _ahead(
    fleet: Fleet,
    seen: health.Examined,
    day: pd.Timestamp,
    policy: Policy,
    *,
    model: Mapping[str, Any] | None = None,
    calibration: life.Calibration | None = None,
    progress: Progress | None = None,
    learnt: Learnt | None = None,
) -> Outlook:
    """The outlook from what was seen."""
    step = progress or (lambda name: None)
    lives, used, oddities = seen.lives, seen.readings, seen.oddities
    ageing = _refitted(fleet, seen, model, step, learnt)
    step("forecasting")
    current = current_lives(lives)
    falls = _falls(seen) if learnt is None else learnt.sudden.falls
    own_past = partial(life.with_own_past, calibration, ageing, lives, used, day, policy.margin, falls)
    with alongside(own_past, worth=learnt is None and len(lives) < MANY) as taught:
        cylinders = health.judge_cylinders(ageing.cylinder_effects_, fleet.cylinders, used, residuals=ageing.residuals_)
        sudden = life.SuddenLife().fit(lives, day, falls) if learnt is None else learnt.sudden
        paths = ageing.path_posterior(current, _age_years(current, day))
        calibration = taught() if learnt is None else learnt.calibration
    remaining = life.remaining_life(
        paths, sudden, current, day, margin=policy.margin, horizon_days=policy.horizon_days, calibration=calibration
    )
    return Outlook(lives, used, oddities, seen.baselines, ageing, cylinders, sudden, current, paths, remaining, calibration)


def _falls(seen: health.Examined) -> life.Falls:
    """Falls at once, after most of which sensors go on."""
    return life.learn_falls(seen.lives, seen.readings, seen.oddities.steps, seen.oddities.deviations)


def current_lives(lives: pd.DataFrame) -> pd.DataFrame:
    """The lives that go on."""
    return lives[lives["current"] & lives["ended"].isna()].reset_index(drop=True)


def _age_years(lives: pd.DataFrame, day: pd.Timestamp) -> pd.Series:
    return (day - lives["installed"]).dt.total_seconds() / (365.25 * 86400.0)


def _one_new_sensor_of_each_kind(lives: pd.DataFrame) -> pd.DataFrame:
    """A life without readings for each stratum, named by it: the forecast of a sensor that is yet to be installed."""
    kinds = lives.drop_duplicates("stratum")[["technology", "gas", "stratum"]]
    text = dict.fromkeys(("sensor_id", "lot", "supplier", "model", "site", "instrument_id", "end_kind"), "")
    return kinds.assign(life_id=kinds["stratum"], current=False, **text)


def with_new_sensors(lives: pd.DataFrame) -> pd.DataFrame:
    """The lives, and one of each kind that is yet to begin: what the ageing model is fitted on."""
    return pd.concat([lives, _one_new_sensor_of_each_kind(lives)], ignore_index=True)


def _new_lives(lives: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    return _one_new_sensor_of_each_kind(lives).assign(installed=day, entered=day, last_test=day)


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
    current = current_lives(ahead.lives)
    part = decide.drawn_lives(current, rng)
    lives, ages = _in_draws(ahead, current.iloc[part], day)
    drawn = ahead.ageing.shared_draws(lives, ages, BUDGET_DRAWS, rng)
    events = decide.shared_events(ahead.sudden.falls.spared(ahead.lives), day)
    hazards = [events.draw(hazard, rng) for hazard in ahead.sudden.draws(BUDGET_DRAWS, rng)]
    yield from _remaining_draws(ahead, drawn, hazards, lives, day, policy)


def shared_draws_of_shard(
    ahead: Outlook, learnt: Learnt, day: pd.Timestamp, policy: Policy, shard: int, walked: int
) -> Iterator[life.RemainingLife]:
    """The same for a shard of a fleet: what all shards share is drawn alike in each, given its number the rest is its own.

    walked: how many lives the part is to have.
    """
    own, common = np.random.default_rng([BUDGET_SEED, shard]), np.random.default_rng(BUDGET_SEED)
    current = current_lives(ahead.lives)
    part = decide.drawn_lives(current, own, walked)
    lives, ages = _in_draws(ahead, current.iloc[part], day)
    drawn = ahead.ageing.shared_draws(lives, ages, BUDGET_DRAWS, own, worlds=BUDGET_SEED)
    hazards = [learnt.events.draw(hazard, common, shard) for hazard in learnt.sudden.draws(BUDGET_DRAWS, common)]
    yield from _remaining_draws(ahead, drawn, hazards, lives, day, policy)


def _in_draws(ahead: Outlook | Analysis, current: pd.DataFrame, day: pd.Timestamp) -> tuple[pd.DataFrame, pd.Series]:
    """The lives that are walked through and a new one of each kind, and their ages."""
    lives = pd.concat([current, _new_lives(ahead.lives, day)], ignore_index=True)
    lives = lives[list(IN_DRAWS)].astype(dict.fromkeys(TEXTS_IN_DRAWS, object))
    return lives, _age_years(lives, day)


def _remaining_draws(
    ahead: Outlook | Analysis,
    drawn: list[list[degradation.PathPosterior]],
    hazards: Sequence[decide.SuddenEnds],
    lives: pd.DataFrame,
    day: pd.Timestamp,
    policy: Policy,
) -> Iterator[life.RemainingLife]:
    window = 31.0 * policy.budget_months
    grid = np.concatenate([np.arange(0.0, window, 30.0), np.arange(window, window + 540.0, 60.0)])
    grid = np.append(grid, max(policy.horizon_days, grid[-1] + 60.0))
    yield from life.remaining_draws(drawn, hazards, lives, day, margin=policy.margin, grid=grid, calibration=ahead.calibration)
