"""Steps, swaps and bad readings in single paths."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth.health.change_points import DOWN, SINGLE, SWAP, UP, Rates, most_probable_faults
from sensorhealth.health.fault_search import bounds_by_family, find_faults
from sensorhealth.health.path_filter import PathPrior, Series

PRIOR = PathPrior(np.array([0.7, -0.12]), np.diag([0.08**2, 0.05**2]), 0.03**2, 0.01**2)


@pytest.fixture
def nile(published: Path) -> pd.DataFrame:
    return pd.read_csv(published / "nile.csv")


def one(y: np.ndarray, age: np.ndarray, prior: PathPrior = PRIOR, rates: Rates | None = None):
    series = Series(y, age, np.ones(len(y), bool), np.zeros(len(y)), np.array([0]), np.array([len(y)]))
    return most_probable_faults(series, prior, rates or Rates())


def test_nile_breaks_after_the_28th_year(nile: pd.DataFrame) -> None:
    """Cobb (1978) Biometrika 65, 243-251; Zeileis et al. (2003): one break, after 1898, means 1097.75 and 849.97."""
    scale = 4000.0
    flow = nile["flow"].to_numpy(float)
    level = PathPrior(np.array([flow.mean() / scale, 0.0]), np.diag([1.0, 1e-12]), (125 / scale) ** 2, 0.0)
    found = one(flow / scale, np.arange(100) / 10, level)
    assert found.position[0] == 28 and nile["year"][27] == 1898
    assert found.kind[0] == DOWN and found.probability[0] > 0.999
    before, after = flow[:28].mean(), flow[28:].mean()
    assert (before, round(after, 2)) == (1097.75, 849.97)
    assert abs(found.size[0] * scale - (after - before)) < 2 * found.std_error[0] * scale
    assert nile["year"][found.earliest[0] - 1] >= 1895 and nile["year"][found.latest[0] - 1] <= 1902


def test_nile_has_one_break_when_nothing_is_known_beforehand(nile: pd.DataFrame) -> None:
    """BIC over 0, 1, 2 breaks (strucchange) chooses one."""
    y, rates = nile["flow"].to_numpy(float) / 4000, Rates(swap=1e-9, swap_when_spent=1e-9)
    found = find_faults(y, np.arange(100) / 10, np.array([0]), np.array([100]), np.array([0]), [rates], linear=True)
    assert found.faults.position.tolist() == [28]
    assert found.faults.kind.tolist() == [DOWN]


def path(count: int = 16) -> tuple[np.ndarray, np.ndarray]:
    age = 0.25 * np.arange(1, count + 1)
    return 0.7 - 0.12 * age + 0.02 * np.cos(7.0 * age), age


def test_a_quiet_path_has_no_fault() -> None:
    found = one(*path())
    assert found.any_fault[0] < 0.3 and found.p_value[0] == 1.0


def test_a_low_reading_that_recovers_is_one_bad_reading() -> None:
    y, age = path()
    y[7] -= 0.25
    found = one(y, age)
    assert (found.kind[0], found.position[0]) == (SINGLE, 7)
    assert found.size[0] == pytest.approx(-0.25, abs=0.06)


def test_a_fall_that_stays_is_a_step() -> None:
    y, age = path()
    y[7:] -= 0.1625
    found = one(y, age)
    assert (found.kind[0], found.position[0]) == (DOWN, 7)
    assert abs(found.size[0] + 0.1625) < 2 * found.std_error[0]


def test_a_loss_that_goes_faster_is_no_step() -> None:
    """The end of a knee: at the edge of chance a fall at once fits it nearly as well as no fault, and a bend better."""
    y, age = path(24)
    y -= np.maximum(age - age[17], 0.0) * 0.20
    found = one(y, age)
    assert found.kind[0] != DOWN or found.any_fault[0] < 0.65
    assert one(y, age, rates=Rates(bend=1e-12)).kind[0] == DOWN
    assert one(y, age, rates=Rates(bend=1e-12)).any_fault[0] > 0.65


def test_a_jump_to_the_level_of_a_new_sensor_is_a_swap() -> None:
    y, age = path()
    y[9:] = y[: len(y) - 9]
    found = one(y, age)
    assert (found.kind[0], found.position[0]) == (SWAP, 9)


def test_a_jump_of_a_kind_that_is_cleaned_is_a_cleaning_where_swaps_are_rare() -> None:
    y, age = path()
    y[9:] += 0.15
    assert one(y, age, rates=Rates(up=0.3, swap=0.001)).kind[0] == UP


def test_a_jump_after_a_spent_sensor_is_a_swap() -> None:
    y, age = path(12)
    y -= 0.45
    y[8:] += 0.62
    usual = Rates(up=0.3, swap=1e-4)
    assert one(y, age, rates=usual).kind[0] == SWAP
    assert one(y, age, rates=Rates(up=0.3, swap=1e-6, swap_when_spent=1e-6)).kind[0] == UP


def test_several_faults_of_one_path_are_all_found() -> None:
    rng = np.random.default_rng(5)
    count, sensors = 20, 30
    age = 0.25 * np.arange(1, count + 1)
    y = 0.7 + 0.08 * rng.standard_normal((sensors, 1)) - 0.12 * age + 0.03 * rng.standard_normal((sensors, count))
    y[0, 4] -= 0.3
    y[0, 10:] -= 0.25
    y[0, 15] -= 0.4
    start = np.arange(sensors) * count
    flat_age = np.tile(age, sensors)
    found = find_faults(y.ravel(), flat_age, start, np.full(sensors, count), np.zeros(sensors, int), [Rates()])
    first = found.faults.position < count
    order = np.argsort(found.faults.position[first])
    assert found.faults.position[first][order].tolist() == [4, 10, 15]
    assert found.faults.kind[first][order].tolist() == [SINGLE, DOWN, SINGLE]
    assert found.deviation[4] == pytest.approx(y[0, 4] - (y[0, 3] + y[0, 5]) / 2, abs=0.05)


def test_readings_left_out_are_not_flagged() -> None:
    y, age = path()
    y[7] -= 0.5
    seen = np.arange(len(y)) != 7
    found = find_faults(y, age, np.array([0]), np.array([len(y)]), np.array([0]), [Rates()], seen=seen)
    assert not len(found.faults.position)


def test_sure_finds_of_one_kind_do_not_open_the_door_to_doubtful_ones_of_another() -> None:
    """Benjamini and Hochberg's bound, rate x rejected / tested, in each family by itself; at least that for one."""
    p_value = np.r_[np.zeros(50), 1e-5, 2e-3, 0.5 * np.ones(48)]
    singles, steps, ends = bounds_by_family(p_value, np.r_[np.zeros(50, int), np.ones(50, int)], 0.05)
    assert singles == pytest.approx(0.05 * 50 / 100)
    assert steps == pytest.approx(0.05 * 1 / 100)
    assert ends == pytest.approx(0.05 / 100)


@pytest.mark.slow
def test_false_alarms_over_clean_fleets_stay_within_their_rate(study_size) -> None:
    """At a false-discovery rate of 0.05 a fleet without faults has any flag at all in one case of twenty."""
    fleets, flagged = study_size(300), 0
    for seed in range(fleets):
        rng = np.random.default_rng(seed)
        count = rng.integers(5, 17, 60)
        start = np.cumsum(count) - count
        age = np.concatenate([0.25 * np.arange(1, n + 1) for n in count])
        level = np.repeat(0.7 + 0.08 * rng.standard_normal(60), count)
        slope = np.repeat(-0.12 + 0.05 * rng.standard_normal(60), count)
        y = level + slope * age + 0.03 * rng.standard_normal(len(age))
        found = find_faults(y, age, start, count, np.zeros(60, int), [Rates()])
        flagged += len(found.faults.position) > 0
    assert flagged <= 0.05 * fleets + 3 * np.sqrt(0.05 * 0.95 * fleets)
