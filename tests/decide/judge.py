"""A world whose truth is known, in which policies are tried: what they cost, and how many sensors fail in service.

Invented: every sensor loses ln headroom at its own constant rate from its own start, both normal over the population,
and may die suddenly. Every visit brings a noisy reading of every sensor. Forecasts are the exact posterior, so that
what is judged is the decision alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from decide_builders import AS_OF, GRID, KIND, LifeRows, competing, forecast_rows, tables
from scipy.special import ndtr

from sensorhealth.decide import FleetPlan, Policy, plan_fleet

YEAR = 365.25


@dataclass(frozen=True)
class World:
    """start, rate: mean and deviation of ln headroom at birth and of its loss per year. noise: of a reading (ln).

    hazard: sudden ends per year. positions, sites, years: size. warm_up: years that are not counted.
    """

    start: tuple[float, float] = (0.80, 0.20)
    rate: tuple[float, float] = (0.26, 0.09)
    noise: float = 0.05
    hazard: float = 0.03
    positions: int = 200
    sites: int = 4
    years: float = 7.0
    warm_up: float = 1.0


@dataclass
class Sensors:
    """The sensors now in the positions: truth (start, rate, end day), birth day, and the readings' sums."""

    world: World
    rng: np.random.Generator
    start: np.ndarray = field(init=False)
    rate: np.ndarray = field(init=False)
    end: np.ndarray = field(init=False)
    born: np.ndarray = field(init=False)
    precision: np.ndarray = field(init=False)
    pull: np.ndarray = field(init=False)

    def __post_init__(self) -> None:
        n = self.world.positions
        for name in ("start", "rate", "end", "born"):
            setattr(self, name, np.zeros(n))
        self.precision, self.pull = np.zeros((n, 2, 2)), np.zeros((n, 2))
        self.renew(np.arange(n), -self.rng.uniform(0, 2.0, n) * YEAR)

    def renew(self, rows: np.ndarray, day: np.ndarray | float) -> None:
        """Put new sensors into positions `rows`."""
        world, size = self.world, rows.size
        self.start[rows] = np.maximum(self.rng.normal(*world.start, size), 0.05)
        self.rate[rows] = np.maximum(self.rng.normal(*world.rate, size), 0.005)
        self.born[rows] = day
        soft = self.start[rows] / self.rate[rows]
        sudden = self.rng.exponential(1.0 / world.hazard, size)
        self.end[rows] = self.born[rows] + YEAR * np.minimum(soft, sudden)
        prior = 1.0 / np.square([world.start[1], world.rate[1]])
        self.precision[rows] = np.diag(prior)
        self.pull[rows] = prior * np.array([world.start[0], world.rate[0]])

    def read(self, day: float) -> None:
        """A reading of every sensor on `day`."""
        age = (day - self.born) / YEAR
        value = self.start - self.rate * age + self.rng.normal(0.0, self.world.noise, age.size)
        row = np.stack([np.ones_like(age), -age], axis=1)
        self.precision += row[:, :, None] * row[:, None, :] / self.world.noise**2
        self.pull += row * value[:, None] / self.world.noise**2

    def headroom(self, day: float) -> dict[str, np.ndarray]:
        """What the forecast table says of the headroom on `day`."""
        covariance = np.linalg.inv(self.precision)
        mean = np.einsum("nij,nj->ni", covariance, self.pull)
        age = (day - self.born) / YEAR
        level = mean[:, 0] - mean[:, 1] * age
        spread = np.sqrt(covariance[:, 0, 0] - 2 * age * covariance[:, 0, 1] + age**2 * covariance[:, 1, 1])
        return {
            "headroom_ratio_p05": np.exp(level - 1.645 * spread),
            "headroom_ratio_p95": np.exp(level + 1.645 * spread),
            "ageing_per_year": -mean[:, 1],
        }

    def forecast(self, day: float) -> LifeRows:
        """The exact distribution of remaining life of sensors that are alive on `day`."""
        covariance = np.linalg.inv(self.precision)
        mean = np.einsum("nij,nj->ni", covariance, self.pull)
        age = (day - self.born)[:, None] / YEAR + GRID[None, :] / YEAR
        return _rows(mean, covariance, age, self.world.hazard)


def _rows(mean: np.ndarray, covariance: np.ndarray, age: np.ndarray, hazard: float) -> LifeRows:
    """Life distributions from normal (start, rate), given that the latent headroom is above the limit now."""
    level = mean[:, :1] - mean[:, 1:] * age
    spread = np.sqrt(covariance[:, :1, 0] - 2 * age * covariance[:, :1, 1] + age**2 * covariance[:, 1:, 1])
    by = np.maximum.accumulate(ndtr(-level / spread), axis=1)
    alone = (by - by[:, :1]) / np.maximum(1.0 - by[:, :1], 1e-9)
    gone = np.broadcast_to(-np.expm1(-hazard * GRID / YEAR), alone.shape)
    soft, sudden = competing(alone, gone)
    names = np.array([f"P{number:04d}" for number in range(len(mean))], dtype=object)
    return LifeRows(names, GRID, soft, sudden)


def newborn(world: World) -> LifeRows:
    """The distribution of a new sensor's life."""
    mean = np.array([[world.start[0], world.rate[0]]])
    covariance = np.diag(np.square([world.start[1], world.rate[1]]))[None]
    rows = _rows(mean, covariance, GRID[None, :] / YEAR, world.hazard)
    return LifeRows(np.array([KIND], dtype=object), GRID, rows.soft, rows.sudden)


Decide = Callable[[Sensors, float, float], tuple[np.ndarray, np.ndarray]]


@dataclass
class Result:
    """What happened: day, amount (currency), what it was paid for ("failure", "worn", "swap", "visit"), number of the site."""

    events: list[tuple[float, float, str, int]] = field(default_factory=list)

    def after(self, start: float, end: float = np.inf) -> pd.DataFrame:
        """What happened between two days."""
        table = pd.DataFrame(self.events, columns=["day", "amount", "what", "site"])
        return table[(table["day"] > start) & (table["day"] <= end)]


def run(world: World, policy: Policy, decide: Decide, seed: int) -> Result:
    """Try one way of deciding: decide(sensors, today, next visit) -> positions to swap today, at the visit."""
    rng = np.random.default_rng(seed)
    sensors, events = Sensors(world, rng), Result()
    site = np.arange(world.positions) % world.sites
    interval, notice = float(policy.visit_interval_days), float(policy.first_visit_days)
    price = policy.unit_cost_default + policy.swap_cost

    def fail_until(day: float) -> None:
        while True:
            dead = np.flatnonzero(sensors.end <= day)
            if dead.size == 0:
                return
            worn = sensors.born + YEAR * sensors.start / sensors.rate <= sensors.end + 1e-6
            for row in dead:
                what = "worn" if worn[row] else "failure"
                events.events.append((sensors.end[row], price + policy.failure_cost, what, int(site[row])))
            sensors.renew(dead, sensors.end[dead].copy())

    def swap(rows: np.ndarray, day: float) -> None:
        events.events.extend((day, price, "swap", int(at)) for at in site[rows])
        events.events.extend((day, policy.visit_cost, "visit", int(at)) for at in np.unique(site[rows]))
        sensors.renew(rows, day)

    for visit in np.arange(interval, world.years * YEAR, interval):
        fail_until(visit - notice)
        now, later = decide(sensors, visit - notice, visit)
        keep = sensors.born.copy()
        swap(now, visit - notice)
        fail_until(visit)
        swap(later[(sensors.born == keep)[later]], visit)
        sensors.read(visit)
    return events


def by_plan(world: World, policy: Policy, plans: list[tuple[float, FleetPlan]] | None = None) -> Decide:
    """What the library's plan says; each plan is added to `plans` with its day."""
    names = [f"P{number:04d}" for number in range(world.positions)]
    fleet = tables(names, site=[f"S{number % world.sites}" for number in range(world.positions)],
                   unit_cost=policy.unit_cost_default)  # fmt: skip
    fresh = newborn(world)

    def decide(sensors: Sensors, today: float, visit: float) -> tuple[np.ndarray, np.ndarray]:
        fleet.sensors["installed"] = AS_OF - pd.to_timedelta(np.round(today - sensors.born), unit="D")
        forecast = forecast_rows(names, **sensors.headroom(today))
        plan = plan_fleet(sensors.forecast(today), None, forecast, fleet, policy, fresh=fresh)
        if plans is not None:
            plans.append((today, plan))
        actions = plan.actions["action"]
        return np.flatnonzero(actions == "swap now"), np.flatnonzero(actions == "swap at visit")

    return decide


def by_risk(policy: Policy, threshold: float) -> Decide:
    """Swap where the chance of ending before the visit after next is above `threshold`, each for itself."""

    def decide(sensors: Sensors, today: float, visit: float) -> tuple[np.ndarray, np.ndarray]:
        rows = sensors.forecast(today)
        total = rows.soft + rows.sudden
        at = [np.array([np.interp(days, GRID, row) for row in total])
              for days in (visit - today, visit - today + policy.visit_interval_days)]  # fmt: skip
        risk = (at[1] - at[0]) / np.maximum(1.0 - at[0], 1e-9)
        return np.empty(0, dtype=int), np.flatnonzero(risk > threshold)

    return decide


def by_calendar(policy: Policy) -> Decide:
    """Swap on the last visit before the age that the calendar scheme states."""

    def decide(sensors: Sensors, today: float, visit: float) -> tuple[np.ndarray, np.ndarray]:
        old = visit + policy.visit_interval_days - sensors.born > policy.calendar_swap_days
        return np.empty(0, dtype=int), np.flatnonzero(old)

    return decide


def by_truth(policy: Policy) -> Decide:
    """The oracle: swap on the last visit before the true end."""

    def decide(sensors: Sensors, today: float, visit: float) -> tuple[np.ndarray, np.ndarray]:
        return np.empty(0, dtype=int), np.flatnonzero(sensors.end <= visit + policy.visit_interval_days)

    return decide


def never(sensors: Sensors, today: float, visit: float) -> tuple[np.ndarray, np.ndarray]:
    """Run to failure."""
    return np.empty(0, dtype=int), np.empty(0, dtype=int)
