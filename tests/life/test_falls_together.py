"""Falls that hit many sensors of a site together: seen where they come, and in the worlds of the budget."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from sensorhealth.life import remaining_life
from sensorhealth.life.falls import WIDTH, FallLaw, Falls
from sensorhealth.life.falls_together import clocks, unevenness
from sensorhealth.life.remaining import remaining_draws

KIND = "electrochemical CO"
YEAR = 365.25
START = pd.Timestamp("2020-01-01")
SITES, EACH = 12, 20


def records(uneven: float, every: float, seed: int, rate: float = 0.15) -> tuple[pd.DataFrame, pd.DataFrame, pd.Series]:
    """Falls, readings and sites of a fleet watched for four years, read every `every` days, all sensors of a site on one day."""
    rng = np.random.default_rng(seed)
    steps = np.arange(1.0, 4.0 * YEAR)
    fell, read, home = [], [], {}
    for site in range(SITES):
        clock = rng.gamma(np.diff(steps, prepend=0.0) / YEAR / uneven) * uneven if uneven else np.full(steps.size, 1.0 / YEAR)
        visits = np.arange(rng.uniform(0.0, every), 4.0 * YEAR, every)
        for number in range(EACH):
            life = f"S{site}-{number}"
            home[life] = f"site {site}"
            read += [(life, START + pd.Timedelta(days=float(day))) for day in visits]
            for day in steps[rng.random(steps.size) < -np.expm1(-rate * clock)]:
                after = visits[visits > max(day, visits[0])]
                if after.size:
                    fell.append((life, START + pd.Timedelta(days=float(after[0]))))
    return pd.DataFrame(fell, columns=["life_id", "time_after"]), pd.DataFrame(read, columns=["life_id", "time"]), pd.Series(home)


@pytest.mark.parametrize("every", [20.0, 90.0])
def test_falls_that_come_by_themselves_are_not_held_to_come_together(every: float) -> None:
    """Not even where those of three months are found on one day."""
    found = [unevenness(*records(0.0, every, seed)) for seed in range(8)]
    assert np.count_nonzero(found) <= 1


@pytest.mark.parametrize("every", [20.0, 90.0])
def test_how_unevenly_they_come_is_found(every: float) -> None:
    found = [unevenness(*records(0.8, every, seed)) for seed in range(8)]
    assert np.count_nonzero(found) == 8
    assert np.mean(found) == pytest.approx(0.8, rel=0.5)


def test_clocks_go_as_fast_as_time_on_average_and_are_a_sites_own() -> None:
    days = np.array([0.0, 30.0, 100.0, YEAR])
    drawn = np.array([clocks(["a", "b"], days, 0.5, (seed, 1)) for seed in range(4000)])
    assert (np.diff(drawn, axis=2) >= 0.0).all() and (drawn[:, :, 0] == 0.0).all()
    np.testing.assert_allclose(drawn.mean(axis=0), np.tile(days, (2, 1)), rtol=0.06)
    assert (drawn[:, 0, -1] / YEAR).var() == pytest.approx(0.5, rel=0.15)
    assert abs(np.corrcoef(drawn[:, 0, -1], drawn[:, 1, -1])[0, 1]) < 0.05
    np.testing.assert_array_equal(clocks(["c", "b"], days, 0.5, (7, 1))[1], clocks(["b"], days, 0.5, (7, 1))[0])


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
    alone = FallLaw(2000.0, 10_000.0, sizes, np.full(sizes.size, 1.0 / sizes.size), world=(0,))
    together = replace(alone, uneven=1.0)
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
