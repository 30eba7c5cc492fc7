"""Rates and survival of sudden ends, as charts show them, are those that were counted and fitted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sensorhealth.life import SuddenLife
from sensorhealth.life.nonparametric import kaplan_meier
from sensorhealth.present.charts import survival

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
