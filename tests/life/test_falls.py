"""Falls at once that are yet to come: their law against known distributions, their part in the forecast against simulation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sensorhealth import Fleet
from sensorhealth.decide import Policy
from sensorhealth.life import SuddenLife, falls, forecast_table, remaining_life
from sensorhealth.life.falls import NEGLIGIBLE, NONE, WIDTH, FallLaw, Falls, falls_of
from sensorhealth.life.falls_learnt import learn_falls
from sensorhealth.outlook import Outlook, look_ahead, new_sensors, shared_draws

KIND = "electrochemical CO"
YEAR = 365.25
SPREAD = [[0.0009, 0.0], [0.0, 0.0016]]
SIZES = np.arange(5, 21) * WIDTH  # 10 to 40 % in ln ratio
EVEN = FallLaw(20.0, 100.0, SIZES, np.full(SIZES.size, 1.0 / SIZES.size), seen=20, watched=100.0)
START = pd.Timestamp("2020-01-01")


@dataclass(frozen=True)
class OnlyFalls:
    """No sudden deaths, but falls."""

    falls: Falls

    def conditional_cdf(self, lives: pd.DataFrame, as_of: pd.Timestamp, days: Any) -> np.ndarray:
        return np.zeros((len(lives), np.size(days)))


def test_falls_of_one_size_come_as_often_as_scipys_negative_binomial_says() -> None:
    law = FallLaw(3.0, 40.0, np.array([5 * WIDTH]), np.ones(1))
    for years in (0.5, 4.0, 10.0):
        sums = law.sums(np.array([years * YEAR]))[0]
        expected = stats.nbinom(3.0, 40.0 / (40.0 + years)).pmf(np.arange(8))
        np.testing.assert_allclose(sums[: 8 * 5 : 5], expected, atol=1e-12)
        assert sums.sum() == pytest.approx(1.0)


def test_sums_of_exponential_falls_are_scipys_chi_squared_without_degrees_of_freedom() -> None:
    """Twice a Poisson sum of standard exponentials is a noncentral chi-squared with 0 degrees of freedom (Siegel 1979, Biometrika
    66:381-386; from memory)."""
    mean, rate = 0.2, 0.8
    sizes = np.arange(1, 200) * WIDTH
    chance = np.diff(-np.expm1(-(np.arange(200) + 0.5) * WIDTH / mean))
    law = FallLaw(rate * chance.sum() * 1e9, 1e9, sizes, chance / chance.sum())  # falls that round to nought are none
    sums = np.cumsum(law.sums(np.array([YEAR]))[0])
    at = np.array([10, 25, 50])
    known = stats.ncx2(1e-9, 2.0 * rate).cdf(2.0 * (at + 0.5) * WIDTH / mean)
    np.testing.assert_allclose(sums[at], known, atol=0.002)


@pytest.mark.parametrize("days", [1.0, 30.0, 365.0, 3650.0])
def test_falls_at_a_rate_that_is_known_are_scipys_poisson(days: float) -> None:
    """As in the possible worlds of the budget, in which the rate is drawn and then known."""
    law = replace(EVEN, sizes=np.array([5 * WIDTH]), chance=np.ones(1)).draw(np.random.default_rng(3))
    sums = law.sums(np.array([days]))[0]
    expected = stats.poisson(law.rate * days / YEAR).pmf(np.arange(50))
    np.testing.assert_allclose(sums[: 50 * 5 : 5], expected, atol=1e-7)
    assert sums.sum() == pytest.approx(1.0, abs=1e-6)


def simulated(law: FallLaw, level: float, slope: float, years: float, rng: np.random.Generator) -> tuple[float, float]:
    """Share of paths that ended by themselves and by a fall, falls first drawn one by one."""
    count, worn, struck = 20_000, 0, 0
    rates = rng.gamma(law.shape, 1.0 / law.years, count)
    levels = level + np.sqrt(SPREAD[0][0]) * rng.standard_normal(count)
    slopes = slope + np.sqrt(SPREAD[1][1]) * rng.standard_normal(count)
    for rate, high, speed in zip(rates, levels, slopes):
        when = np.sort(rng.uniform(0.0, years, rng.poisson(rate * years)))
        sizes = rng.choice(law.sizes, when.size, p=law.chance)
        for time, size in zip(when, sizes):
            if high + speed * time <= 0.0:
                break
            high -= size
            if high + speed * time <= 0.0:
                struck += 1
                break
        else:
            worn += high + speed * years <= 0.0
            continue
        worn += high + speed * time <= 0.0 and high + size + speed * time <= 0.0
    return worn / count, struck / count


@pytest.mark.parametrize("level, slope", [(0.35, -0.1), (0.7, -0.25)])
def test_ends_with_falls_to_come_are_as_many_as_simulated(
    level: float, slope: float, lives_of: Any, path_of: Any, as_of: pd.Timestamp
) -> None:
    lives = lives_of([400.0])
    path = path_of(lives, [level], [slope], SPREAD)
    life = remaining_life([path], OnlyFalls(Falls({KIND: EVEN})), lives, as_of)
    alone = remaining_life([path], OnlyFalls(NONE), lives, as_of)
    rng = np.random.default_rng(5)
    for years in (1.0, 2.0):
        worn, struck = simulated(EVEN, level, slope, years, rng)
        day = years * YEAR
        at = [float(np.interp(day, life.grid_days, part[0])) for part in (life.soft, life.sudden)]
        assert at[0] + at[1] == pytest.approx(worn + struck, abs=0.015)
        assert at == pytest.approx([worn, struck], abs=0.02)
        by_falls = float(life.p_end(day)[0] - alone.p_end(day)[0])
        assert life.p_end_by_falls(day) == pytest.approx([by_falls], abs=1e-9)
        assert by_falls > 0.02  # what a forecast without falls leaves out


@pytest.mark.parametrize("rate", [4e-5, 5e-4, 5e-3])
def test_falls_are_left_out_only_where_that_changes_chances_by_less_than_is_stated(
    rate: float, lives_of: Any, path_of: Any, as_of: pd.Timestamp, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rates of several kinds, whatever the fleet; with no limit the same falls are counted."""
    lives = lives_of([400.0, 900.0])
    path = path_of(lives, [0.35, 0.2], [-0.03, -0.1], SPREAD)
    hazard = OnlyFalls(Falls({KIND: replace(EVEN, shape=rate * 1e4, years=1e4)}))
    used = remaining_life([path], hazard, lives, as_of)
    monkeypatch.setattr(falls, "NEGLIGIBLE", 0.0)
    exact = remaining_life([path], hazard, lives, as_of)
    assert exact.by_falls is not None and exact.by_falls.max() > 0.0
    off = np.abs(used.total - exact.total).max()
    assert off <= NEGLIGIBLE
    assert (used.by_falls is None) == (off > 0.0) == (rate < 5e-4)
    assert (exact.by_falls.max() > NEGLIGIBLE) == (rate > 1e-4)  # more than is left out would be missed


def test_each_end_is_counted_once(lives_of: Any, path_of: Any, as_of: pd.Timestamp) -> None:
    lives = lives_of([400.0, 900.0, 30.0])
    path = path_of(lives, [0.5, 0.1, 0.9], [-0.2, -0.2, -0.05], SPREAD, brownian=0.001)
    often = replace(EVEN, shape=200.0)
    life = remaining_life([path], OnlyFalls(Falls({KIND: often})), lives, as_of)
    assert life.total.max() <= 1.0 + 1e-12
    assert (np.diff(life.soft) >= -1e-12).all() and (np.diff(life.sudden) >= -1e-12).all()
    assert life.by_falls is not None and (life.by_falls >= -1e-9).all()


def test_a_path_that_few_readings_let_stand_absurdly_high_has_a_forecast_all_the_same(
    lives_of: Any, path_of: Any, as_of: pd.Timestamp
) -> None:
    """No sum of falls brings such a sensor to its end, and exp of its level is beyond all numbers."""
    lives = lives_of([400.0, 900.0])
    life = remaining_life([path_of(lives, [957.0, 0.1], [0.0, -0.2], SPREAD)], OnlyFalls(Falls({KIND: EVEN})), lives, as_of)
    assert np.isfinite(life.total).all()
    assert life.total[0].max() < 1e-6 and life.total[1, -1] > 0.99


def test_falls_may_have_come_since_the_last_test(lives_of: Any, path_of: Any, as_of: pd.Timestamp) -> None:
    lives = lives_of([400.0])
    path = path_of(lives, [0.5], [-0.05], SPREAD)
    falls = OnlyFalls(Falls({KIND: EVEN}))
    fresh = remaining_life([path], falls, lives, as_of).p_end(180.0)
    overdue = remaining_life([path], falls, lives.assign(last_test=as_of - pd.Timedelta(days=365)), as_of).p_end(180.0)
    assert overdue[0] > fresh[0] + 0.01


def records(falls: dict[str, float], ended: set[str], count: int = 40) -> tuple[pd.DataFrame, ...]:
    """Lives of two years read every 60 days, and the tables of what was found in them."""
    names = [f"s{i}" for i in range(count)]
    lives = pd.DataFrame(
        {"life_id": names, "stratum": KIND, "technology": "electrochemical", "site": "A", "installed": START, "entered": START}
    )
    lives["end_kind"] = np.where(lives["life_id"].isin(ended), "sudden", "")
    lives["ended"] = pd.Series(pd.NaT, index=lives.index).mask(lives["life_id"].isin(ended), START + pd.Timedelta(days=725))
    lives["last_alive"] = lives["last_test"] = START + pd.Timedelta(days=720)
    times = [START + pd.Timedelta(days=60 * k) for k in range(13)]
    readings = pd.DataFrame([(name, time) for name in names for time in times], columns=["life_id", "time"])
    steps = pd.DataFrame(
        {
            "life_id": list(falls), "kind": ["down" if size < 0 else "up" for size in falls.values()],
            "size": list(falls.values()), "std_error": 0.02, "ended": [name in ended for name in falls],
            "time_after": [START + pd.Timedelta(days=60 + 60 * k) for k in range(len(falls))],
        }
    ).assign(time_before=lambda table: pd.to_datetime(table["time_after"]) - pd.Timedelta(days=60))  # fmt: skip
    deviations = pd.DataFrame({"life_id": names, "deviation_sd": 0.02})
    return lives, readings, steps, deviations


def test_rates_are_falls_in_the_years_watched_and_never_nought() -> None:
    found = {"s1": -0.2, "s2": -0.3, "s3": -0.25, "s4": -0.05, "s5": 0.3}  # one too small to be sure of, one up
    law = learn_falls(*records(found, set())).laws[KIND]
    assert (law.seen, law.least) == (3, pytest.approx(0.08))
    assert law.watched == pytest.approx(40 * 660 / YEAR)  # the last visit so far tells nothing of a fall yet
    assert law.rate == pytest.approx(3.5 / (12.5 + law.watched), rel=1e-6)
    none = learn_falls(*records({}, set())).laws[KIND]
    assert 0.001 < none.rate < 0.01
    unread = learn_falls(*(table.iloc[:0] if k else table for k, table in enumerate(records({}, set())))).laws[KIND]
    assert (unread.seen, unread.watched, unread.rate) == (0, 0.0, pytest.approx(0.04))
    assert law.usual < none.usual  # sizes seen draw the law to themselves
    assert not learn_falls(*records({}, set())).remarks()
    assert "3 in 72 sensor-years" in learn_falls(*records(found, set())).remarks()[0]


def test_falls_that_come_together_tell_less_of_the_rate() -> None:
    found = {f"s{i}": -0.2 for i in range(8)}
    lives, readings, steps, deviations = records(found, set())
    alone = learn_falls(lives, readings, steps, deviations).laws[KIND]
    at_once = steps.assign(time_before=START + pd.Timedelta(days=240), time_after=START + pd.Timedelta(days=300))
    together = learn_falls(lives, readings, at_once, deviations)
    spread = [law.shape**-0.5 for law in (alone, together.laws[KIND])]
    assert spread[1] > 1.5 * spread[0]
    assert alone.company is None and together.laws[KIND].company is not None


def test_an_end_by_a_fall_is_no_sudden_death_besides() -> None:
    found = {"s1": -0.2, "s2": -0.3, "s3": -0.25, "s4": -0.35}
    lives, readings, steps, deviations = records(found, {"s4"})
    falls = learn_falls(lives, readings, steps, deviations)
    assert falls.laws[KIND].seen == 4 and falls.ended == {"s4"}
    now = START + pd.Timedelta(days=730)
    assert SuddenLife().fit(lives, now).groups_["electrochemical"].deaths == 1.0
    sudden = SuddenLife().fit(lives, now, falls)
    assert sudden.groups_["electrochemical"].deaths == 0.0
    assert falls_of(sudden) is falls
    knee = learn_falls(*records(found, {"s1", "s2", "s4"}))  # nearly all fall at their end: that is how they wear
    assert knee.laws[KIND].seen == 1 and not knee.ended


def falling_fleet(rate: float, seed: int = 11, count: int = 40) -> Fleet:
    """Invented sensors that lose steadily in ln ratio, with falls of a fifth to a third at once."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(count):
        days = np.arange(20.0 + i, 1100.0, 60.0)
        value = np.log(2.0) - days * rng.normal(0.0003, 0.00005)
        for day in rng.uniform(0.0, 1100.0, rng.poisson(3.0 * rate)):
            value = value - np.where(days > day, rng.uniform(0.2, 0.4), 0.0)
        read = np.exp(value + 0.01 * rng.standard_normal(days.size))
        low = np.flatnonzero(read < 1.0)
        stop = low[0] if low.size else days.size
        rows += [(f"s{i}", START + pd.Timedelta(days=d), y) for d, y in zip(days[:stop], read[:stop])]
    tests = pd.DataFrame(rows, columns=["sensor_id", "time", "headroom"]).assign(kind="span", applied=1.0, outcome="pass")
    sensors = pd.DataFrame({"sensor_id": [f"s{i}" for i in range(count)], "gas": "CO", "technology": "electrochemical"})
    return Fleet.from_tables(sensors.assign(unit="ppm", installed=START), tests)


def seen_ahead(rate: float) -> tuple[Outlook, Fleet, pd.Timestamp]:
    fleet, day = falling_fleet(rate), START + pd.Timedelta(days=1100)
    return look_ahead(fleet, day, Policy(), model={"curves": "exponential"}), fleet, day


def test_a_fleet_with_falls_is_told_of_those_to_come_and_one_without_hardly_any() -> None:
    ahead, fleet, day = seen_ahead(0.15)
    law = ahead.sudden.falls.laws[KIND]
    assert law.seen >= 8 and 0.08 < law.rate < 0.25
    part = ahead.remaining.p_end_by_falls(365.0)
    assert part.mean() > 0.02
    assert any("lose part of their sensitivity at once" in note for note in ahead.remarks)
    table = forecast_table(ahead.remaining, ahead.paths, ahead.current, fleet, sudden=ahead.sudden)
    assert table["reason"].str.contains("come from falls at once").any()
    new = new_sensors(ahead, day, Policy())
    assert new.p_end_by_falls(730.0)[0] > 0.02  # a sensor yet to be installed will fall as well
    worlds = list(shared_draws(ahead, day, Policy()))
    known = [world.take(np.arange(ahead.remaining.life_id.size)) for world in worlds]
    for days in (30.0, 365.0):  # the worlds together say what the forecast says
        for name in ("p_end", "p_end_by_falls"):
            expected = getattr(ahead.remaining, name)(days).mean()
            assert np.mean([getattr(world, name)(days).mean() for world in known]) == pytest.approx(expected, rel=0.2, abs=0.003)
    for world in worlds:
        assert np.diff(world.soft).min() >= -1e-9 and np.diff(world.sudden).min() >= -1e-9
        assert world.soft.min() >= 0.0 and world.sudden.min() >= -1e-9 and world.total.max() <= 1.0 + 1e-9
    calm, _, _ = seen_ahead(0.0)
    assert calm.sudden.falls.laws[KIND].seen == 0
    assert calm.remaining.p_end_by_falls(365.0).mean() < 0.005
    assert not any("at once" in note for note in calm.remarks)


def test_falls_since_a_date_are_those_that_came_by_the_day_asked_about() -> None:
    day = pd.Timestamp("2024-01-01")
    came = pd.DataFrame(
        {
            "life_id": ["a", "a", "a", "b"],
            "time_after": [day + pd.Timedelta(days=d) for d in (-5, 10, 200, 20)],
            "size": [0.4, 0.1, 0.2, 0.3],
        }
    )
    known = Falls({}, came=came)
    until = pd.Series([day + pd.Timedelta(days=100)] * 3)
    assert known.since(np.array(["a", "b", "c"], dtype=object), day, until).tolist() == [0.1, 0.3, 0.0]
    assert known.since(np.empty(0, dtype=object), day, until[:0]).size == 0
