"""Fits under every censoring and truncation against handbooks, R and two other libraries."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth.errors import FitError
from sensorhealth.life import lifedata
from sensorhealth.life.families import life_families
from sensorhealth.life.families.piecewise import Piecewise
from sensorhealth.life.lifedata import LifeData, condensed
from sensorhealth.life.likelihood import FamilyFit, fit_family, log_likelihood

WEIBULL, LOGNORMAL, EXPONENTIAL = (life_families()[name] for name in ("weibull", "lognormal", "exponential"))


def exact_or_right(ages: pd.Series, died: pd.Series, weight: pd.Series | None = None) -> LifeData:
    return LifeData.of(ages, np.where(died == 1, ages, np.inf), weight=weight)


def assert_weibull(fit: FamilyFit, scale: float, shape: float, loglik: float) -> None:
    assert fit.natural == pytest.approx([scale, shape], rel=1e-5)
    assert fit.loglik == pytest.approx(loglik, abs=1e-4)


def test_nist_weibull_example(published: Path) -> None:
    # NIST/SEMATECH e-Handbook 8.4.1.3: 606.5280, 1.7208, log-likelihood -75.135, AIC 154.27 (lognormal 154.39)
    table = pd.read_csv(published / "nist_8413_weibull.csv")
    data = exact_or_right(table["hours"], table["failed"], table["count"])
    fit = fit_family(WEIBULL, data)
    assert fit.natural == pytest.approx([606.5280, 1.7208], abs=1e-3)
    assert (fit.loglik, fit.aic) == (pytest.approx(-75.135, abs=5e-4), pytest.approx(154.27, abs=5e-3))
    assert fit_family(LOGNORMAL, data).aic == pytest.approx(154.39, abs=5e-3)


def test_nist_lognormal_cells(published: Path) -> None:
    # NIST/SEMATECH e-Handbook 8.4.2.2: mu, sigma per temperature; log-likelihoods -53.4, -265.2, -156.5
    table = pd.read_csv(published / "nist_8422_arrhenius_alt.csv")
    expected = {85: (8.891, 1.21, -53.4), 105: (6.470, 0.715, -265.2), 125: (5.33, 0.81, -156.5)}
    for celsius, cell in table.groupby("temp_c"):
        mu, sigma, loglik = expected[int(celsius)]
        fit = fit_family(LOGNORMAL, exact_or_right(cell["hours"], cell["event"]))
        assert fit.natural == pytest.approx([mu, sigma], abs=6e-3)
        assert fit.loglik == pytest.approx(loglik, abs=0.06)


def test_left_truncated_retirement_house(published: Path) -> None:
    # Channing House; root-finding, lifelines and surpyval agree to 1e-6 on these
    table = pd.read_csv(published / "channing.csv")
    expected = {"Male": (968.83966, 6.280103, -274.750897), "Female": (1058.39495, 9.615771, -801.747015)}
    rates = {"Male": 0.006438970, "Female": 0.004312074}
    for sex, rows in table.groupby("sex"):
        data = LifeData.of(rows["exit"], np.where(rows["cens"] == 1, rows["exit"], np.inf), rows["entry"])
        assert_weibull(fit_family(WEIBULL, data), *expected[str(sex)])
        assert fit_family(EXPONENTIAL, data).natural == pytest.approx([rates[str(sex)]], rel=1e-6)


def test_interval_censored_cracks(published: Path) -> None:
    # R survival: mu 7.6880 (0.0744267), sigma 0.673506, log-likelihood -309.631181
    table = pd.read_csv(published / "cracks_interval.csv")
    fit = fit_family(WEIBULL, LifeData.of(table["day1"].fillna(0), table["day2"].fillna(np.inf), weight=table["n"]))
    assert_weibull(fit, 2182.00418, 1.4847675, -309.631181)
    assert fit.theta[0] == pytest.approx(7.688000, abs=1e-5)
    assert np.sqrt(fit.covariance[0, 0]) == pytest.approx(0.0744267, rel=1e-4)


def test_current_status_turbine_wheels(published: Path) -> None:
    # Nelson (1982); computed: 46.777230, 2.175780, -189.287193
    table = pd.read_csv(published / "turbine_current_status.csv")
    hours, failed = table["hours"].to_numpy(float), table["failed"].to_numpy(float)
    alive = table["inspected"].to_numpy(float) - failed
    lower, upper = np.concatenate([0 * hours, hours]), np.concatenate([hours, np.full(hours.size, np.inf)])
    assert_weibull(
        fit_family(WEIBULL, LifeData.of(lower, upper, weight=np.concatenate([failed, alive]))),
        46.777230,
        2.175780,
        -189.287193,
    )


def test_generator_fans(published: Path) -> None:
    # Nelson (1982): exponential mean 344440 / 12; Weibull computed in R
    table = pd.read_csv(published / "genfan.csv")
    data = exact_or_right(table["hours"], table["status"])
    assert_weibull(fit_family(WEIBULL, data), 26296.85, 1.058446, -135.152720)
    assert 1.0 / fit_family(EXPONENTIAL, data).natural == pytest.approx([344440 / 12], rel=1e-8)


@pytest.mark.parametrize(
    ("file", "age", "died", "weight", "expected"),
    [
        # Meeker and Escobar (1998): 11792, 2.035; 27719, 3.16; 81.88, 2.10
        ("bearing_cage", "hours", "st", "count", (11792.178, 2.035319, -76.436896)),
        ("shock_absorber", "miles", "st", None, (27718.718, 3.160470, -123.995361)),
        ("lz_ball_bearing", "megacycles", None, None, (81.874559, 2.101847, -113.691959)),
    ],
)
def test_book_examples(
    references: Path, file: str, age: str, died: str | None, weight: str | None, expected: tuple[float, float, float]
) -> None:
    table = pd.read_csv(references / f"{file}.csv")
    ended = table[died] if died else pd.Series(1, index=table.index)
    assert_weibull(fit_family(WEIBULL, exact_or_right(table[age], ended, table[weight] if weight else None)), *expected)


def test_competing_modes_of_shock_absorbers(references: Path) -> None:
    # one mode is fitted with the other censored: 31205.798, 3.383946 and 40865.861, 2.822211
    table = pd.read_csv(references / "shock_absorber.csv")
    for mode, expected in {"Mode1": (31205.798, 3.383946), "Mode2": (40865.861, 2.822211)}.items():
        fit = fit_family(WEIBULL, exact_or_right(table["miles"], (table["mode"] == mode).astype(int)))
        assert fit.natural == pytest.approx(expected, rel=1e-5)


def test_heat_exchanger_tubes(references: Path) -> None:
    table = pd.read_csv(references / "heat_exchanger_interval.csv")
    data = LifeData.of(table["lower"].fillna(0), table["upper"].fillna(np.inf), weight=table["n"])
    assert_weibull(fit_family(WEIBULL, data), 23.619924, 1.345515, -54.414705)


@pytest.mark.filterwarnings("ignore")
def test_lifelines_and_surpyval_agree_on_mixed_censoring() -> None:
    lifelines, surpyval = pytest.importorskip("lifelines"), pytest.importorskip("surpyval")
    rng = np.random.default_rng(7)
    age = 3.0 * rng.weibull(2.0, 300)
    entry = rng.uniform(0.0, 1.0, 300)
    age, entry = age[age > entry], entry[age > entry]
    stop = rng.uniform(1.0, 4.0, age.size)
    seen = np.maximum(np.minimum(age, stop), entry + 1e-6)
    died = age <= stop
    truncated = LifeData.of(seen, np.where(died, seen, np.inf), entry)
    ours = fit_family(WEIBULL, truncated)
    theirs = lifelines.WeibullFitter().fit(seen, died, entry=entry)
    assert ours.natural == pytest.approx([theirs.lambda_, theirs.rho_], rel=1e-4)
    other = surpyval.Weibull.fit(x=seen, c=np.where(died, 0, 1), tl=entry)
    assert ours.natural == pytest.approx(other.params[:2], rel=1e-3)

    low = np.floor(age / 0.5) * 0.5
    interval = fit_family(LOGNORMAL, LifeData.of(low, low + 0.5))
    same = lifelines.LogNormalFitter().fit_interval_censoring(np.maximum(low, 1e-12), low + 0.5)
    assert interval.natural == pytest.approx([same.mu_, same.sigma_], rel=1e-4)


def test_piecewise_rates_are_deaths_over_exposure(published: Path) -> None:
    table = pd.read_csv(published / "genfan.csv")
    data = exact_or_right(table["hours"], table["status"])
    knots = (2000.0, 4000.0)
    fit = fit_family(Piecewise(knots), data)
    bounds = np.array([0.0, *knots, np.inf])
    for piece, (low, high) in enumerate(pairwise(bounds)):
        exposure = np.clip(table["hours"] - low, 0, high - low).sum()
        deaths = ((table["status"] == 1) & (table["hours"] > low) & (table["hours"] <= high)).sum()
        assert fit.natural[piece] == pytest.approx(deaths / exposure, rel=1e-5)


def test_the_unit_of_age_does_not_matter(published: Path) -> None:
    table = pd.read_csv(published / "genfan.csv")
    hours = fit_family(WEIBULL, exact_or_right(table["hours"], table["status"]))
    years = fit_family(WEIBULL, exact_or_right(table["hours"] / 8766.0, table["status"]))
    assert years.natural * [8766.0, 1.0] == pytest.approx(hours.natural, rel=1e-6)


@pytest.mark.parametrize(
    ("lower", "upper", "entry", "complaint"),
    [
        ([1.0, np.nan], [2.0, 3.0], 0.0, "life 2 of 2: an age is missing"),
        ([2.0], [1.0], 0.0, "ends before it begins"),
        ([1.0], [2.0], 1.5, "observation begins after"),
        ([-1.0], [2.0], 0.0, "negative"),
        ([0.0], [0.0], 0.0, "death at age nought"),
    ],
)
def test_lives_that_cannot_be_are_refused(lower: list[float], upper: list[float], entry: float, complaint: str) -> None:
    with pytest.raises(FitError, match=complaint):
        LifeData.of(lower, upper, entry)


def test_no_deaths_and_no_prior_is_one_clear_error() -> None:
    with pytest.raises(FitError, match="no deaths among 2 lives"):
        fit_family(WEIBULL, LifeData.of([1.0, 2.0], np.inf))


@pytest.mark.parametrize("name", sorted(life_families()))
def test_ages_on_a_grid_leave_the_likelihood_of_very_many_lives_as_it_is(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Twenty thousand lives, one of a hundred dead: to a hundredth in log likelihood; with ages half a year apart not."""
    rng = np.random.default_rng(1201)
    entry = rng.uniform(0.0, 2.0, 20_000)
    last = entry + rng.uniform(0.0, 8.0, entry.size)
    data = LifeData.of(last, np.where(rng.random(entry.size) < 0.01, last, np.inf), entry)
    family = life_families()[name]
    theta = fit_family(family, data).theta
    exact = log_likelihood(family, data, theta)
    assert log_likelihood(family, condensed(data), theta) == pytest.approx(exact, abs=0.01)
    assert condensed(data).lower.size < 1_500
    assert condensed(data).exposure == pytest.approx(data.exposure)
    monkeypatch.setattr(lifedata, "_AGES", 20)
    if name not in ("exponential", "piecewise"):  # of these the cumulative hazard is straight nearly everywhere
        assert abs(log_likelihood(family, condensed(data), theta) - exact) > 0.01
