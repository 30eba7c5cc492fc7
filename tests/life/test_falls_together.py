"""Falls that hit many sensors of a site together: seen where they come, and in the worlds of the budget."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from sensorhealth import Fleet
from sensorhealth.decide import Policy
from sensorhealth.life import remaining_life, with_own_past
from sensorhealth.life.end_law import LOGS
from sensorhealth.life.falls import NONE, WIDTH, FallLaw, Falls
from sensorhealth.life.falls_together import Company, SiteEvents, company
from sensorhealth.life.remaining import remaining_draws
from sensorhealth.outlook import look_ahead, shared_draws

KIND = "electrochemical CO"
YEAR = 365.25
START = pd.Timestamp("2020-01-01")
SITES, EACH = 12, 20
BELIEF = (0.5, 12.5)


def records(alone: float, often: float, hit: float, every: float, seed: int) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Falls, and pairs of readings, of a fleet watched for four years, read every `every` days, all sensors of a site on one day.

    alone: falls a sensor and year; often: events a site and year, each of which hits so many of the sensors.
    """
    rng = np.random.default_rng(seed)
    fell, pairs = [], []
    for site in range(SITES):
        visits = np.arange(rng.uniform(0.0, every), 4.0 * YEAR, every)
        events = rng.uniform(0.0, 4.0 * YEAR, rng.poisson(4.0 * often))
        for number in range(EACH):
            own = rng.uniform(0.0, 4.0 * YEAR, rng.poisson(4.0 * alone))
            spans = np.searchsorted(visits, np.concatenate([own, events[rng.random(events.size) < hit]]))
            for place, into in ((np.arange(1, visits.size), pairs), (spans[(spans > 0) & (spans < visits.size)], fell)):
                into += [(f"S{site}-{number}", f"site {site}", visits[k - 1], visits[k]) for k in place]
    tables = [pd.DataFrame(rows, columns=["life_id", "site", "time_before", "time_after"]) for rows in (fell, pairs)]
    dated = [
        table.assign(**{name: START + pd.to_timedelta(table[name], unit="D") for name in table.columns[2:]}) for table in tables
    ]
    return dated[0], dated[1]


@pytest.mark.parametrize("every", [20.0, 90.0])
def test_falls_that_come_by_themselves_are_not_held_to_come_together(every: float) -> None:
    """Not even where those of three months are found on one day."""
    found = [company(*records(0.15, 0.0, 0.0, every, seed), BELIEF) for seed in range(12)]
    assert sum(item is not None for item in found) <= 2


@pytest.mark.parametrize("every", [20.0, 90.0])
@pytest.mark.parametrize("alone", [0.0, 0.1])
def test_how_often_events_come_and_how_many_they_hit_is_found(every: float, alone: float) -> None:
    found = [company(*records(alone, 0.3, 0.5, every, seed), BELIEF) for seed in range(8)]
    assert all(item is not None for item in found)
    told = [item for item in found if item is not None]
    assert np.mean([item.often for item in told]) == pytest.approx(0.3, rel=0.15)
    assert np.mean([item.severe for item in told]) == pytest.approx(0.5, rel=0.1)
    assert np.mean([item.shape / item.years for item in told]) == pytest.approx(alone, rel=0.2, abs=0.01)
    assert np.mean([np.divide(*item.rate) for item in told]) == pytest.approx(alone + 0.15, rel=0.15)


def test_the_law_of_all_falls_has_mean_and_spread_of_the_worlds() -> None:
    seen = Company(5, 10.0, 30.0, 70.0, 12.5, 140.0, 6.0)
    worlds = [seen.draw(np.random.default_rng(seed), (seed,)) for seed in range(4000)]
    rates = np.array([alone + events.rate * events.hit for alone, events in worlds])
    shape, years = seen.rate
    assert rates.mean() == pytest.approx(shape / years, rel=0.02)
    assert rates.std() == pytest.approx(np.sqrt(shape) / years, rel=0.05)


def test_events_come_as_often_as_they_are_said_to_and_to_each_site_by_itself() -> None:
    days = np.array([0.0, 30.0, 100.0, 4.0 * YEAR])
    drawn = np.array([SiteEvents(0.5, 0.4, (seed, 1)).by(["a", "b"], days) for seed in range(3000)])
    assert (np.diff(drawn, axis=2) >= 0).all() and (drawn[:, :, 0] == 0).all()
    np.testing.assert_allclose(drawn[:, :, 1:].mean(axis=0), np.tile(0.5 * days[1:] / YEAR, (2, 1)), rtol=0.2)
    assert drawn[:, 0, -1].var() == pytest.approx(2.0, rel=0.1)  # Poisson
    assert abs(np.corrcoef(drawn[:, 0, -1], drawn[:, 1, -1])[0, 1]) < 0.05
    of_one = SiteEvents(0.5, 0.4, (7, 1))
    np.testing.assert_array_equal(of_one.by(["c", "b"], days)[1], of_one.by(["b"], days)[0])
    np.testing.assert_array_equal(of_one.by(["b"], days)[:, :3], of_one.by(["b"], days[:3]))  # however far one looks


def test_an_event_hits_each_sensor_once_at_most() -> None:
    """With falls of one size and no others, the sum of falls is binomial in the number of events."""
    one = FallLaw(0.0, 1.0, np.array([5 * WIDTH]), np.ones(1), events=SiteEvents(0.5, 0.4, (1,)))
    sums = one.sums(np.array([YEAR]), 3)[0]
    np.testing.assert_allclose(sums[: 5 * 5 : 5], [0.216, 0.432, 0.288, 0.064, 0.0], atol=1e-7)
    assert one.any_within(YEAR) == pytest.approx(-np.expm1(-0.2))


class OnlyFalls:
    """No sudden deaths, but falls."""

    def __init__(self, falls: Falls) -> None:
        self.falls = falls

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: Any) -> np.ndarray:
        return np.zeros((len(lives), np.size(days)))


def test_counts_of_ends_scatter_more_between_worlds_and_say_together_what_the_forecast_says(
    lives_of: Any, path_of: Any, as_of: pd.Timestamp
) -> None:
    lives = lives_of([400.0] * 30).assign(site=["north"] * 15 + ["south"] * 15, current=True)
    path = path_of(lives, [0.3] * 30, [-0.02] * 30, [[0.0009, 0.0], [0.0, 0.0001]])
    sizes = np.arange(5, 21) * WIDTH
    alone = FallLaw(2000.0, 10_000.0, sizes, np.full(sizes.size, 1.0 / sizes.size))
    seen = Company(400, 1000.0, 500.0, 1000.0, 0.1, 1e6, 10.0)  # 0.4 a site and year, each of which hits half
    together = replace(alone, company=seen)
    said = float(remaining_life([path], OnlyFalls(Falls({KIND: together})), lives, as_of).p_end(YEAR).sum())
    counts = []
    for law in (alone, together):
        rng = np.random.default_rng(3)
        worlds = [OnlyFalls(Falls({KIND: law}).draw(rng)) for _ in range(400)]
        grid = np.linspace(0.0, 800.0, 40)
        drawn = remaining_draws([[path] * len(worlds)], worlds, lives, as_of, grid=grid)
        counts.append(np.array([life.p_end(YEAR) for life in drawn]))
    assert [item.sum(axis=1).mean() for item in counts] == pytest.approx([said, said], rel=0.08)
    assert counts[1].sum(axis=1).std() > 5.0 * counts[0].sum(axis=1).std()
    north, south = counts[1][:, :15], counts[1][:, 15:]
    np.testing.assert_allclose(north, north[:, :1] * np.ones(15), atol=1e-9)
    assert abs(np.corrcoef(north[:, 0], south[:, 0])[0, 1]) < 0.15


def test_a_sensor_that_has_no_site_yet_falls_as_often_as_others_on_average(
    lives_of: Any, path_of: Any, as_of: pd.Timestamp
) -> None:
    """In a world of events a new sensor of a kind has no place: it is told the mean over places."""
    lives = lives_of([400.0] * 201).assign(site=[f"site {k}" for k in range(200)] + [""], current=[True] * 200 + [False])
    path = path_of(lives, [0.3] * 201, [-0.02] * 201, [[0.0009, 0.0], [0.0, 0.0001]])
    sizes = np.arange(5, 21) * WIDTH
    seen = Company(400, 1000.0, 500.0, 1000.0, 1e6, 1e7, 10.0)
    falls = Falls({KIND: FallLaw(3000.0, 10_000.0, sizes, np.full(sizes.size, 1.0 / sizes.size), company=seen)})
    world = OnlyFalls(falls.draw(np.random.default_rng(5)))
    chance = next(remaining_draws([[path]], [world], lives, as_of, grid=np.linspace(0.0, 800.0, 40))).p_end(YEAR)
    assert chance[:200].mean() == pytest.approx(chance[200], rel=0.12)


def struck_fleet(seed: int, *, events: bool, count: int = 120, horizon: float = 2200.0) -> tuple[Fleet, pd.Series]:
    """Invented sensors of four sites that lose at paces of their own, with falls of 11 to 33 %, .25 a sensor and year, each by
    itself or in events that hit half of a site; and the days (after START) of their true ends."""
    rng = np.random.default_rng(seed)
    day = np.arange(0.0, horizon, 5.0)
    level, life = np.log(2.0) + 0.1 * rng.standard_normal(count), np.exp(rng.normal(np.log(1000.0), 0.3, count))
    site, begin = rng.integers(0, 4, count), np.floor(rng.uniform(0.0, 900.0, count))
    fall = rng.random((count, day.size)) < (0.0 if events else 0.25 * 5.0 / YEAR)
    for place in range(4 if events else 0):
        for when in rng.uniform(0.0, horizon + 900.0, rng.poisson(0.5 * (horizon + 900.0) / YEAR)):
            at = np.searchsorted(day, when - begin)
            hit = (site == place) & (when > begin) & (at < day.size) & (rng.random(count) < 0.5)
            fall[np.flatnonzero(hit), at[hit]] = True
    path = level[:, None] * (1.0 - day / life[:, None]) - np.cumsum(fall * rng.uniform(0.12, 0.4, fall.shape), axis=1)
    ends = begin + np.where((path <= 0.0).any(axis=1), day[(path <= 0.0).argmax(axis=1)], np.inf)
    rows, removed = [], np.full(count, np.nan)
    for i in range(count):
        visits = np.arange(rng.uniform(5.0, 60.0), horizon - 10.0, 60.0)
        read = np.interp(visits, day, path[i]) + 0.02 * rng.standard_normal(visits.size)
        stop = int(np.argmax(read < 0.0)) + 1 if (read < 0.0).any() else visits.size
        removed[i] = begin[i] + visits[stop - 1] + 3.0 if (read < 0.0).any() else np.nan
        rows += [(f"s{i}", START + pd.Timedelta(days=begin[i] + v), np.exp(r)) for v, r in zip(visits[:stop], read[:stop])]
    calibrations = pd.DataFrame(rows, columns=["sensor_id", "time", "headroom"]).assign(kind="span", applied=1.0)
    dated = {name: START + pd.to_timedelta(days, unit="D") for name, days in (("installed", begin), ("removed", removed))}
    sensors = pd.DataFrame({"sensor_id": [f"s{i}" for i in range(count)], "gas": "CO", "technology": "electrochemical", **dated})
    sensors = sensors.assign(unit="ppm", removal_reason=np.where(np.isnan(removed), "", "worn"), site=[f"P{k}" for k in site])
    return Fleet.from_tables(sensors, calibrations), pd.Series(ends, index=sensors["sensor_id"])


def test_sensors_that_an_event_ended_are_no_witnesses_that_paths_mislead() -> None:
    """Paths of these fleets are true; left to chance, the falls of an event would seem to say that ends come sooner than told."""
    sooner = []
    for seed in (22, 23):
        fleet, _ = struck_fleet(seed, events=True)
        day = START + pd.Timedelta(days=1000)
        seen = look_ahead(fleet.known_at(day), day, Policy(), model={"parameter_uncertainty": False})
        for falls in (seen.sudden.falls, NONE):
            law = with_own_past(None, seen.ageing, seen.lives, seen.readings, day, 0.0, falls).end_law
            far = np.zeros(LOGS.size) if law is None else law.share[KIND][2][:-1]
            sooner.append(float(far @ LOGS))
    known, unknown = sooner[::2], sooner[1::2]
    assert np.abs(known).max() < 0.03
    assert min(unknown) > 0.06


def ends_within_a_year(seed: int, *, events: bool, after: float = 1000.0) -> tuple[int, float, float, float]:
    """How many sensors in service came to their end, and by the worlds of budgets: the mean and the 90 % band of that number."""
    fleet, ends = struck_fleet(seed, events=events)
    day = START + pd.Timedelta(days=after)
    ahead = look_ahead(fleet.known_at(day + pd.Timedelta(days=1)), day, Policy())
    rng, running = np.random.default_rng(0), pd.Index(ahead.remaining.life_id)
    sensor = ahead.current.set_index("life_id").loc[running, "sensor_id"]
    chances = [world.p_end(YEAR)[pd.Index(world.life_id).get_indexer(running)] for world in shared_draws(ahead, day, Policy())]
    counts = np.concatenate([(rng.random((20, chance.size)) < chance).sum(axis=1) for chance in chances])
    came = int((ends.loc[sensor] <= after + YEAR).sum())
    return came, float(counts.mean()), *(float(np.quantile(counts, q)) for q in (0.05, 0.95))


@pytest.mark.slow
@pytest.mark.parametrize("events", [False, True])
def test_bands_of_small_fleets_with_falls_hold_the_ends_of_a_year(events: bool, study_size: Callable[[int], int]) -> None:
    """Forty fleets of 120 sensors at four sites; the bounds allow for three standard errors of so many."""
    told = np.array([ends_within_a_year(seed, events=events) for seed in range(7000, 7000 + study_size(40))])
    came, mean, low, high = told.T
    held, worst = ((came >= low) & (came <= high)).mean(), 3.0 * np.sqrt(0.1 * 0.9 / len(told))
    assert held > (0.75 if events else 0.9) - worst
    assert abs((came - mean).mean()) < 3.0 * np.hypot(7.0 if events else 4.0, 1.0) / np.sqrt(len(told)) + 1.0
    assert not events or (high - low).mean() > 14.0
