"""Curves without a shape, and checks of fit, against published examples."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth.errors import FitError
from sensorhealth.life.families import life_families
from sensorhealth.life.fit_checks import cox_snell, probability_plot, survival_steps
from sensorhealth.life.lifedata import LifeData
from sensorhealth.life.likelihood import fit_family
from sensorhealth.life.nonparametric import hazard_table, kaplan_meier, turnbull

WEIBULL = life_families()["weibull"]


def test_nist_kaplan_meier(published: Path) -> None:
    # NIST/SEMATECH e-Handbook 8.2.1.5, exact fractions
    table = pd.read_csv(published / "nist_8215_km.csv")
    data = LifeData.of(table["hours"], np.where(table["failed"] == 1, table["hours"], np.inf), weight=table["count"])
    curve = kaplan_meier(data)
    assert curve["survival"].to_numpy() == pytest.approx([19 / 20, 9 / 10, 72 / 85, 27 / 34, 351 / 476, 1755 / 2618], abs=1e-12)
    assert curve["age"].tolist() == [10, 32, 56, 98, 122, 181]


def test_six_mercaptopurine(published: Path) -> None:
    # Gehan (1965), Kaplan-Meier of the 6-MP arm as published widely
    table = pd.read_csv(published / "gehan_6mp.csv").query("treat == '6-MP'")
    curve = kaplan_meier(LifeData.of(table["time"], np.where(table["cens"] == 1, table["time"], np.inf)))
    expected = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    assert curve["survival"].to_numpy() == pytest.approx(expected, abs=1e-6)


def left_truncated() -> LifeData:
    rows = np.array(
        [(1, 2, 1), (2, 3, 1), (5, 6, 1), (2, 7, 1), (1, 8, 1), (7, 9, 1), (3, 9, 1), (4, 9, 0), (8, 14, 0), (8, 17, 0)]
    )
    return LifeData.of(rows[:, 1], np.where(rows[:, 2] == 1, rows[:, 1], np.inf), rows[:, 0])


def test_late_entries_are_at_risk_only_after_they_enter() -> None:
    # worked example of the R survival documentation, exact fractions
    curve = kaplan_meier(left_truncated())
    assert curve["survival"].to_numpy() == pytest.approx([1 / 2, 1 / 3, 4 / 15, 1 / 5, 3 / 20, 9 / 100], abs=1e-12)
    expected = [0.5, 0.833333, 1.033333, 1.283333, 1.533333, 1.933333]
    assert curve["cumulative_hazard"].to_numpy() == pytest.approx(expected, abs=1e-6)
    same = turnbull(left_truncated())
    assert same["survival"].to_numpy()[:6] == pytest.approx(curve["survival"].to_numpy(), abs=1e-7)


def test_turnbull_1974(published: Path) -> None:
    # Turnbull (1974): .538 .295 .210 .095
    table = pd.read_csv(published / "turnbull1974.csv")
    age = table["time"].astype(float)
    data = LifeData.of(np.where(table["status"] == 2, 0.0, age), np.where(table["status"] == 0, np.inf, age), weight=table["n"])
    curve = turnbull(data)
    assert curve["survival"].to_numpy()[:4] == pytest.approx([0.53757, 0.29459, 0.20976, 0.09485], abs=5e-6)


def test_heat_exchanger_tubes(references: Path) -> None:
    # Meeker and Escobar (1998): .0133 .0384 .0582
    table = pd.read_csv(references / "heat_exchanger_interval.csv")
    curve = turnbull(LifeData.of(table["lower"].fillna(0), table["upper"].fillna(np.inf), weight=table["n"]))
    assert 1 - curve["survival"].to_numpy()[:3] == pytest.approx([0.0133333, 0.0383756, 0.0582029], abs=1e-6)


@pytest.mark.filterwarnings("ignore")
def test_lifelines_agrees_on_interval_censored_deaths() -> None:
    lifelines = pytest.importorskip("lifelines")
    rng = np.random.default_rng(2)
    age = 2.0 * rng.weibull(1.5, 60)
    low, high = np.maximum(age - rng.uniform(0, 0.5, 60), 0.0), age + rng.uniform(0, 0.5, 60)
    ours = turnbull(LifeData.of(low, high))
    theirs = lifelines.KaplanMeierFitter().fit_interval_censoring(low, high, tol=1e-11).survival_function_
    at = ours["upper"].to_numpy()
    expected = theirs["NPMLE_estimate_lower"].groupby(level=0).last()
    assert ours["survival"].to_numpy() == pytest.approx(expected.loc[at].to_numpy(), abs=2e-3)


def test_kaplan_meier_refuses_intervals() -> None:
    with pytest.raises(FitError, match="turnbull"):
        kaplan_meier(LifeData.of([1.0, 2.0], [2.0, np.inf]))


def test_hazard_by_band_is_deaths_over_exposure() -> None:
    table = hazard_table(left_truncated(), [0.0, 5.0, 10.0])
    assert table["deaths"].tolist() == [2, 5]
    # exposures of the ten lives by hand: up to age 5, and from 5 to 10
    assert table["exposure"].tolist() == [1 + 1 + 0 + 3 + 4 + 0 + 2 + 1 + 0 + 0, 0 + 0 + 1 + 2 + 3 + 2 + 4 + 4 + 2 + 2]
    assert ((table["low"] < table["rate"]) & (table["rate"] < table["high"])).all()


def test_nist_probability_plot_slope(published: Path) -> None:
    # NIST/SEMATECH e-Handbook 8.2.2.1: slope 1.457519, intercept -4.116536 in logarithms to base ten
    table = pd.read_csv(published / "nist_8413_weibull.csv")
    data = LifeData.of(table["hours"], np.where(table["failed"] == 1, table["hours"], np.inf), weight=table["count"])
    points = probability_plot(data, WEIBULL)
    slope, intercept = np.polyfit(points["x"] / np.log(10), points["y"] / np.log(10), 1)
    assert (slope, intercept) == (pytest.approx(1.457519, abs=1e-6), pytest.approx(-4.116536, abs=1e-6))


def simulated_lives(shape: float) -> LifeData:
    rng = np.random.default_rng(5)
    age, entry, stop = 3.0 * rng.weibull(shape, 1500), rng.uniform(0, 1.5, 1500), rng.uniform(2, 6, 1500)
    keep = (age > entry) & (stop > entry)
    age, entry, stop = age[keep], entry[keep], stop[keep]
    return LifeData.of(np.minimum(age, stop), np.where(age <= stop, age, np.inf), entry)


def test_cox_snell_accepts_the_true_family_and_refuses_a_wrong_one() -> None:
    data = simulated_lives(4.0)
    distance = {}
    for name in ("weibull", "exponential"):
        fit = fit_family(life_families()[name], data)
        hazard = lambda age, fit=fit: fit.family.cumulative_hazard(age, fit.theta)  # noqa: E731
        check = cox_snell(data, hazard)
        distance[name] = (check["survival"] - check["expected"]).abs().max()
    assert distance["weibull"] < 0.05 < 0.15 < distance["exponential"]


def lives_seen_at_tests(n: int) -> LifeData:
    """Lives of Weibull shape 3 and scale 15, tested at whole ages, seen from an age of 0 to 5 on and until one of 10 to 30."""
    rng = np.random.default_rng(6)
    age, entry, stop = 15.0 * rng.weibull(3.0, n), rng.uniform(0, 5, n), rng.uniform(10, 30, n)
    keep = age > entry
    age, entry, stop = age[keep], entry[keep], stop[keep]
    low = np.maximum(np.floor(np.minimum(age, stop)), entry)
    return LifeData.of(low, np.where(age <= stop, np.floor(age) + 1.0, np.inf), entry)


def test_points_of_deaths_between_tests_lie_on_the_true_line() -> None:
    points = probability_plot(lives_seen_at_tests(1500), WEIBULL)
    inner = points[points["probability"].between(0.05, 0.95)]
    true = 1.0 - np.exp(-((inner["age"] / 15.0) ** 3.0))
    assert len(inner) > 8
    assert inner["probability"].to_numpy() == pytest.approx(true.to_numpy(), abs=0.04)


def test_many_lives_are_counted_in_steps_that_change_little() -> None:
    many = lives_seen_at_tests(2600)
    steps = survival_steps(many)
    exact = turnbull(many, tolerance=1e-7)
    between_tests = np.arange(5.5, 24.0)
    told, true = (
        survival.to_numpy()[np.searchsorted(ages, between_tests) - 1]
        for ages, survival in ((steps["age"], steps["survival"]), (exact["upper"], exact["survival"]))
    )
    assert told == pytest.approx(true, abs=0.01)
