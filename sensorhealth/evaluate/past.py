"""Forecasts as they would have been made on a past date: this model, the same corrected on its past, and the baselines."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..degradation.mixture import with_tails
from ..life.calibration import Calibration
from ..life.lifedata import DAYS_PER_YEAR, years_between
from ..life.remaining import RemainingLife, remaining_life, widened
from .baselines import baselines
from .outcomes import NextReadings

if TYPE_CHECKING:
    from ..decide import Policy
    from ..degradation.posterior import PathPosterior
    from ..life import SuddenLife
    from ..records import Fleet

Array = NDArray[np.float64]

MODEL = "this model"
CORRECTED = "this model, corrected on its past"


class Past(Protocol):
    """What a refit on a past date gives (an `Analysis` does): all of it known on that date."""

    @property
    def lives(self) -> pd.DataFrame:
        """Lives as seen then, ended ones too."""

    @property
    def readings(self) -> pd.DataFrame:
        """Readings used then."""

    @property
    def paths(self) -> Sequence[PathPosterior]:
        """Posteriors of the latent paths on that date."""

    @property
    def sudden(self) -> SuddenLife:
        """Hazard of sudden ends as fitted then."""

    @property
    def remaining(self) -> RemainingLife:
        """Remaining life of the lives that were running."""


Refit = Callable[["Fleet", pd.Timestamp, "Policy"], Past]


@dataclass(frozen=True)
class Mixture:
    """Mixtures of normals for r readings: weight (k,), mean and variance (k, r); latent_sd, reading_sd (r,) its two parts."""

    weight: Array
    mean: Array
    variance: Array
    latent_sd: Array
    reading_sd: Array


@dataclass(frozen=True)
class Forecast:
    """One forecaster on one date. cdf: (n, m) chance to have ended by each of `days` (m,), or None; reading: of the
    next readings asked about, or None.
    """

    forecaster: str
    days: Array
    cdf: Array | None
    reading: Mixture | None


def asked_lives(past: Past) -> pd.DataFrame:
    """The lives that were running on the date, in the order of `past.remaining`."""
    rows = pd.Index(past.lives["life_id"]).get_indexer(pd.Index(past.remaining.life_id))
    return past.lives.iloc[rows].reset_index(drop=True)


def model_forecast(
    past: Past, asked: pd.DataFrame, upcoming: NextReadings, policy: Policy, calibration: Calibration | None = None
) -> Forecast:
    """This model's forecast, corrected where a calibration is given."""
    remaining = past.remaining
    if calibration is not None:
        remaining = remaining_life(
            past.paths, past.sudden, asked, remaining.as_of, margin=policy.margin, grid=remaining.grid_days,
            calibration=calibration,
        )  # fmt: skip
    name = MODEL if calibration is None else CORRECTED
    reading = reading_mixture([widened(path, calibration) for path in past.paths], asked, upcoming)
    return Forecast(name, remaining.grid_days, remaining.total, reading)


def reading_mixture(paths: Sequence[PathPosterior], asked: pd.DataFrame, upcoming: NextReadings) -> Mixture:
    """The next recorded readings as mixtures: latent path, a new cylinder and session, noise with its tails.

    A life without a fitted path gets a mixture of NaN.
    """
    position = pd.Index(asked["life_id"])
    pieces: list[tuple[NDArray[np.intp], Array, Array, Array, Array, Array]] = []
    for path in paths:
        rows = position.get_indexer(pd.Index(path.life_id))
        place = np.full(len(asked), -1)
        place[rows[rows >= 0]] = np.flatnonzero(rows >= 0)
        mine = np.flatnonzero(place[upcoming.life] >= 0)
        if mine.size:
            own = path.take(place[upcoming.life[mine]])
            mean, latent = own.latent(upcoming.age_years[mine])
            mixed = with_tails(own.weight, mean, latent + own.gas_variance[:, None], own.residual_variance, own.degrees)
            middle = own.weight @ mean
            latent_sd = np.sqrt(own.weight @ (latent + (mean - middle) ** 2))
            total = mixed[0] @ (mixed[2] + (mixed[1] - mixed[0] @ mixed[1]) ** 2)
            pieces.append((mine, *mixed, latent_sd, np.sqrt(np.maximum(total - latent_sd**2, 1e-12))))
    return _assembled(pieces, upcoming.life.size)


def _assembled(pieces: list[tuple[NDArray[np.intp], Array, Array, Array, Array, Array]], size: int) -> Mixture:
    """One mixture for all readings; strata with fewer components repeat one of theirs at no weight."""
    most = max((piece[1].size for piece in pieces), default=1)
    weight, mean, variance = (np.full((most, size), np.nan) for _ in range(3))
    latent_sd, reading_sd = np.full(size, np.nan), np.full(size, np.nan)
    for rows, share, middle, spread, latent, noise in pieces:
        fill = np.minimum(np.arange(most), share.size - 1)
        weight[:, rows] = np.where(np.arange(most) < share.size, share[fill], 0.0)[:, None]
        mean[:, rows], variance[:, rows] = middle[fill], spread[fill]
        latent_sd[rows], reading_sd[rows] = latent, noise
    return Mixture(weight, mean, variance, latent_sd, reading_sd)


def baseline_forecasts(past: Past, asked: pd.DataFrame, upcoming: NextReadings, as_of: pd.Timestamp) -> list[Forecast]:
    """The baselines' forecasts, made from the same readings and lives as the model's."""
    now = years_between(asked["installed"], as_of)
    days = past.remaining.grid_days
    made = []
    for baseline in baselines(past.readings, past.lives, asked, as_of, now):
        told = baseline.reading(upcoming.life, upcoming.age_years)
        reading = None
        if told is not None:
            mean, sd = told
            ones = np.ones((1, mean.size))
            reading = Mixture(ones, mean[None], sd[None] ** 2, np.full(mean.size, np.nan), sd)
        made.append(Forecast(baseline.name, days, baseline.end_cdf(days), reading))
    return made


def past_dates(fleet: Fleet, count: int = 4) -> list[pd.Timestamp]:
    """As-of dates for a back-test: `count` dates up to the end of the records, half a year or one test interval apart.

    The first third of the records (at least a year, where there is more than two) is left to learn from.
    """
    calibrations = fleet.calibrations
    first, last = calibrations["time"].min().normalize(), calibrations["time"].max().normalize()
    order = calibrations.sort_values(["sensor_id", "time"], kind="stable")
    gaps = order["time"].diff()[order["sensor_id"].eq(order["sensor_id"].shift()).to_numpy()]
    usual = gaps[gaps > pd.Timedelta(days=7)].median() if len(gaps) else pd.Timedelta(days=180)
    step = max(pd.Timedelta(days=182), usual if pd.notna(usual) else pd.Timedelta(days=182))
    span = last - first
    earliest = first + max(span / 3, min(pd.Timedelta(days=DAYS_PER_YEAR), span / 2))
    dates = [(last - k * step).normalize() for k in range(count, 0, -1)]
    return [date for date in dates if date >= earliest] or [(first + 0.6 * span).normalize()]
