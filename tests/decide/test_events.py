"""Sudden ends in company: found where they are, not made up where they are not, and carried into the budget's width."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from decide_builders import AS_OF

from sensorhealth.decide import shared_events

YEAR = 365.25


def _lives(rng: np.random.Generator, events_per_year: float, hazard: float, years: float = 5.0) -> pd.DataFrame:
    """30 catalytic beads on each of 8 sites, replaced when they end; events hit each with a chance of .6."""
    rows = []
    for site in range(8):
        times = np.sort(rng.uniform(0, years, rng.poisson(events_per_year * years)))
        for _ in range(30):
            start = 0.0
            while start < years:
                alone = start + rng.exponential(1.0 / hazard)
                struck = [time for time in times[times > start] if rng.random() < 0.6]
                end = min([alone, *struck[:1]])
                rows.append((f"S{site}", start, end if end < years else np.nan))
                start = end
    table = pd.DataFrame(rows, columns=["site", "start", "end"])
    begin = AS_OF - pd.Timedelta(days=years * YEAR)
    return pd.DataFrame(
        {
            "technology": "catalytic bead",
            "site": table["site"],
            "entered": begin + pd.to_timedelta(table["start"] * YEAR, unit="D"),
            "ended": begin + pd.to_timedelta(table["end"] * YEAR, unit="D"),
            "end_kind": np.where(table["end"].isna(), "", "sudden"),
        }
    )


class _Steady:
    """Sudden ends at one rate per year."""

    def __init__(self, rate: float) -> None:
        self.rate = rate

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: np.ndarray) -> np.ndarray:
        return np.tile(-np.expm1(-self.rate * np.asarray(days) / YEAR), (len(lives), 1))


def test_events_are_found_with_their_rate_and_severity() -> None:
    """Eight fleets together: 320 site-years, 64 events expected."""
    found = pd.concat([shared_events(_lives(np.random.default_rng(seed), 0.2, 0.05), AS_OF).table for seed in range(8)])
    assert found["site_years"].sum() == pytest.approx(320.0, rel=0.01)
    assert found["events"].sum() == pytest.approx(64.0, abs=2.5 * 8.0)
    assert found["hit"].sum() / found["exposed"].sum() == pytest.approx(0.6, abs=0.05)


def test_ends_one_by_one_are_no_events() -> None:
    found = [shared_events(_lives(np.random.default_rng(seed), 0.0, 0.15), AS_OF).table.iloc[0] for seed in range(10)]
    assert sum(row["hit"] for row in found) < 0.03 * 10 * 240 * 0.15 * 5


def test_worlds_with_events_keep_the_mean_and_widen_the_count() -> None:
    """A year's ends: the same on average as the hazard says, with a spread far above independent sensors'."""
    lives = _lives(np.random.default_rng(0), 0.2, 0.05)
    events = shared_events(lives, AS_OF)
    running = lives[lives["ended"].isna()]
    watched = (lives["ended"].fillna(AS_OF) - lives["entered"]).dt.days.sum() / YEAR
    hazard = _Steady((lives["end_kind"] == "sudden").sum() / watched)
    days = np.array([0.0, 180.0, YEAR])
    rng = np.random.default_rng(1)
    expected = np.array([events.draw(hazard, rng).conditional_cdf(running, AS_OF, days)[:, -1].sum() for _ in range(600)])
    alone = hazard.conditional_cdf(running, AS_OF, days)[:, -1]
    assert expected.mean() == pytest.approx(alone.sum(), rel=0.15)
    assert expected.std() > 1.5 * np.sqrt((alone * (1 - alone)).sum())


def test_one_world_is_the_same_whenever_it_is_asked() -> None:
    lives = _lives(np.random.default_rng(0), 0.2, 0.05)
    world = shared_events(lives, AS_OF).draw(_Steady(0.1), np.random.default_rng(3))
    days = np.arange(0.0, 700.0, 30.0)
    first = world.conditional_cdf(lives, AS_OF, days)
    assert (first == world.conditional_cdf(lives, AS_OF, days)).all()
    assert (np.diff(first, axis=1) >= 0).all()
    assert ((first >= 0) & (first <= 1)).all()


def test_lives_that_are_yet_to_begin_meet_no_event_of_todays_calendar() -> None:
    lives = _lives(np.random.default_rng(0), 0.2, 0.05)
    running = lives.assign(current=np.arange(len(lives)) % 2 == 0)
    hazard, days = _Steady(0.1), np.array([0.0, 3650.0])
    found = shared_events(lives, AS_OF).draw(hazard, np.random.default_rng(3)).conditional_cdf(running, AS_OF, days)
    plain = hazard.conditional_cdf(running, AS_OF, days)
    assert (found[1::2] == plain[1::2]).all()
    assert (found[::2, 1] != plain[::2, 1]).any()


def test_fleet_without_events_is_left_as_it_is() -> None:
    lives = _lives(np.random.default_rng(5), 0.0, 0.001)
    hazard = _Steady(0.1)
    world = shared_events(lives, AS_OF).draw(hazard, np.random.default_rng(3))
    days = np.array([0.0, 100.0])
    assert (world.conditional_cdf(lives, AS_OF, days) == hazard.conditional_cdf(lives, AS_OF, days)).all()
