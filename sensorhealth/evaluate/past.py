"""Forecasts as they would have been made on a past date: this model, the same corrected on its past, and the baselines."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..degradation.mixture import moments, quantile
from ..degradation.reading_law import NO_LAWS, ReadingLaw, reading_of
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
NORMAL_WIDTH = 2.0 * 1.6449  # standard deviations between the 5 and 95 % quantiles of a normal


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


def laws_of(past: Past) -> Mapping[str, ReadingLaw]:
    """What the ageing model learnt of its next readings, by stratum; nothing where the refit has no such model."""
    ageing = getattr(past, "ageing", None)
    return NO_LAWS if ageing is None else ageing.reading_laws()


def model_forecast(
    past: Past, asked: pd.DataFrame, upcoming: NextReadings, policy: Policy, calibration: Calibration | None = None
) -> Forecast:
    """This model's forecast, corrected where a calibration is given."""
    remaining = past.remaining
    if calibration is not None:
        own = getattr(past, "calibration", None)
        calibration = calibration if own is None else calibration.with_past_of(own)
        remaining = remaining_life(
            past.paths, past.sudden, asked, remaining.as_of, margin=policy.margin, grid=remaining.grid_days,
            calibration=calibration,
        )  # fmt: skip
    name = MODEL if calibration is None else CORRECTED
    paths = [widened(path, calibration) for path in past.paths]
    reading = reading_mixture(paths, asked, upcoming, laws_of(past))
    return Forecast(name, remaining.grid_days, remaining.total, reading)


def reading_mixture(
    paths: Sequence[PathPosterior], asked: pd.DataFrame, upcoming: NextReadings, laws: Mapping[str, ReadingLaw] = NO_LAWS
) -> Mixture:
    """The next recorded readings as mixtures: latent path, a new cylinder and session, noise with its tails.

    laws: per stratum, how its next readings are foretold; without one, by the posterior and its noise. A life without a
    fitted path gets NaN.
    """
    position = pd.Index(asked["life_id"])
    pieces: list[_Piece] = []
    for path in paths:
        rows = position.get_indexer(pd.Index(path.life_id))
        place = np.full(len(asked), -1)
        place[rows[rows >= 0]] = np.flatnonzero(rows >= 0)
        mine = np.flatnonzero(place[upcoming.life] >= 0)
        if mine.size:
            own = path.take(place[upcoming.life[mine]])
            pieces.append(_piece(own, mine, upcoming, laws.get(path.stratum)))
    return _assembled(pieces, upcoming.life.size)


class _Piece(NamedTuple):
    """Mixture of the readings at `rows`: weight (k, r), mean and variance (k, r), and the spread of its two parts (r,)."""

    rows: NDArray[np.intp]
    weight: Array
    mean: Array
    variance: Array
    latent_sd: Array
    reading_sd: Array


def _piece(own: PathPosterior, mine: NDArray[np.intp], upcoming: NextReadings, law: ReadingLaw | None) -> _Piece:
    age = upcoming.age_years[mine]
    mean, latent = own.latent(age)
    latent_variance = moments(own.weight, mean, latent)[1]
    mixed = reading_of(own, age, law)
    usual = (quantile(*mixed, 0.95) - quantile(*mixed, 0.05)) / NORMAL_WIDTH  # far tails would drown the latent part
    rest = np.maximum(usual**2 - latent_variance, 1e-12)
    share = np.broadcast_to(mixed[0], mixed[1].shape)
    return _Piece(mine, share, mixed[1], mixed[2], np.sqrt(latent_variance), np.sqrt(rest))


def _assembled(pieces: list[_Piece], size: int) -> Mixture:
    """One mixture for all readings; strata with fewer components repeat one of theirs at no weight."""
    most = max((len(piece.weight) for piece in pieces), default=1)
    weight, mean, variance = (np.full((most, size), np.nan) for _ in range(3))
    latent_sd, reading_sd = np.full(size, np.nan), np.full(size, np.nan)
    for piece in pieces:
        fill = np.minimum(np.arange(most), len(piece.weight) - 1)
        weight[:, piece.rows] = np.where((np.arange(most) < len(piece.weight))[:, None], piece.weight[fill], 0.0)
        mean[:, piece.rows], variance[:, piece.rows] = piece.mean[fill], piece.variance[fill]
        latent_sd[piece.rows], reading_sd[piece.rows] = piece.latent_sd, piece.reading_sd
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
