"""Rates and survival of sudden ends, as charts show them, are those that were counted and fitted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from sensorhealth.life import SuddenLife
from sensorhealth.life.nonparametric import kaplan_meier
from sensorhealth.present.charts import life_fit, past_ends, survival

AS_OF = pd.Timestamp("2026-01-01")
RATE = 0.3


@pytest.fixture(scope="module")
def lives() -> pd.DataFrame:
    """2000 catalytic beads with a constant rate of 0.3 a year, installed over four years, seen from the start."""
    rng = np.random.default_rng(5)
    n = 2000
    installed = AS_OF - pd.to_timedelta(rng.uniform(0, 4 * 365.25, n), unit="D")
    end = installed + pd.to_timedelta(rng.exponential(1 / RATE, n) * 365.25, unit="D")
    died = end < AS_OF
    return pd.DataFrame(
        {
            "life_id": np.arange(n).astype(str), "technology": "catalytic bead", "gas": "CH4",
            "stratum": "catalytic bead CH4", "installed": installed, "entered": installed,
            "last_test": end.where(died, AS_OF), "last_alive": end.where(died, AS_OF),
            "ended": end.where(died), "end_kind": np.where(died, "sudden", ""), "current": ~died,
        }
    )  # fmt: skip


@pytest.fixture(scope="module")
def table(lives: pd.DataFrame) -> pd.DataFrame:
    return survival.hazard_data(SuddenLife(families=("exponential",)).fit(lives, AS_OF), lives, "catalytic bead")


def test_no_end_and_no_year_is_lost(table: pd.DataFrame, lives: pd.DataFrame) -> None:
    ended = (lives["end_kind"] == "sudden").sum()
    assert table["deaths"].sum() == ended
    years = (lives["ended"].fillna(AS_OF) - lives["installed"]).dt.total_seconds().sum() / 86400 / 365.25
    assert table["exposure"].sum() == pytest.approx(years, rel=1e-3)


def test_counted_and_fitted_rates_are_the_true_one(table: pd.DataFrame) -> None:
    ended = table["deaths"].sum()
    overall = ended / table["exposure"].sum()
    assert overall == pytest.approx(RATE, abs=4 * RATE / np.sqrt(ended))
    np.testing.assert_allclose(table["fitted_rate"], overall, rtol=0.05)
    inside = (table["low"] <= RATE) & (table["high"] >= RATE)
    assert inside.mean() >= 0.7


def test_survival_by_bands_agrees_with_the_product_limit(table: pd.DataFrame, lives: pd.DataFrame) -> None:
    """Kaplan-Meier on the same lives, at the ends of the bands."""
    sudden = SuddenLife(families=("exponential",)).fit(lives, AS_OF)
    exact = kaplan_meier(sudden.data(lives, "catalytic bead"))
    at = np.searchsorted(exact["age"], table["upper"][:-1], side="right") - 1
    np.testing.assert_allclose(table["survival"][:-1], exact["survival"].to_numpy()[at], atol=0.01)


def test_group_that_nobody_saw_makes_an_empty_table(lives: pd.DataFrame) -> None:
    sudden = SuddenLife(families=("exponential",)).fit(lives, AS_OF)
    young = lives.head(1).assign(installed=AS_OF - pd.Timedelta(days=5), entered=AS_OF - pd.Timedelta(days=5), ended=pd.NaT)
    young["end_kind"], young["last_alive"], young["last_test"] = "", AS_OF, AS_OF
    assert survival.hazard_data(sudden, young, "catalytic bead").empty


def test_points_of_the_probability_plot_lie_along_the_true_law_and_within_the_fit(lives: pd.DataFrame) -> None:
    told = life_fit.life_fit_data(SuddenLife(families=("exponential",)).fit(lives, AS_OF), lives, "catalytic bead")
    assert told.deaths == (lives["end_kind"] == "sudden").sum()
    inner = told.points[told.points["probability"].between(0.02, 0.5)]
    np.testing.assert_allclose(inner["probability"], 1 - np.exp(-RATE * inner["age"]), atol=0.03)
    assert (told.line["low"] <= told.line["probability"]).all() and (told.line["probability"] <= told.line["high"]).all()
    assert told.residuals["survival"].to_numpy()[:400] == pytest.approx(told.residuals["expected"].to_numpy()[:400], abs=0.03)


def test_probability_plot_shows_a_law_that_does_not_fit(lives: pd.DataFrame) -> None:
    """The same ends moved to half a year more and counted from new: no constant rate is straight through them."""
    late = lives.assign(**{name: lives[name] + pd.Timedelta(days=365) for name in ("last_test", "last_alive", "ended")})
    sudden = SuddenLife(families=("exponential",)).fit(late, AS_OF + pd.Timedelta(days=365))
    told = life_fit.life_fit_data(sudden, late, "catalytic bead")
    fitted = np.interp(told.points["age"], told.line["age"], told.line["probability"])
    assert (told.points["probability"] - fitted).abs().max() > 0.06


def test_group_without_an_end_has_no_law_to_check(lives: pd.DataFrame) -> None:
    sudden = SuddenLife(families=("exponential",)).fit(lives, AS_OF)
    told = life_fit.life_fit_data(sudden, lives.assign(end_kind="", ended=pd.NaT), "catalytic bead")
    assert told.deaths == 0 and told.points.empty
    words = [text.get_text() for text in life_fit.probability_paper(told).texts]
    assert words == ["No sudden end is on record: there is no law to check."]


def test_integrals_of_right_forecasts_are_level_and_of_narrow_ones_high_at_the_sides() -> None:
    rng = np.random.default_rng(3)
    z = rng.standard_normal(2000)
    known = np.ones(z.size, dtype=bool)
    right, narrow = (past_ends.integrals_data(norm.cdf(f * z), norm.cdf(f * z), known) for f in (1.0, 1.8))
    assert right["share"].between(right["least"] - 0.005, right["most"] + 0.005).all()
    assert narrow["share"].iloc[[0, -1]].gt(narrow["most"].iloc[0]).all()


def test_lives_that_go_on_are_not_taken_for_ends() -> None:
    rows = pd.DataFrame(
        {
            "sensor_id": ["a", "b", "c"], "as_of": AS_OF, "ended": [True, True, False], "lower_days": [90.0, 400.0, 300.0],
            "upper_days": [110.0, 440.0, np.inf], "rul_days_p05": 50.0, "rul_days_p50": [119.0, 119.0, 600.0],
            "rul_days_p95": 900.0,
        }
    )  # fmt: skip
    data = past_ends.closing_in_data(rows)
    assert data["sensor_id"].tolist() == ["a", "b"] and data["true_days"].tolist() == [100.0, 420.0]
    assert data["within"].tolist() == [True, False]
