"""What the last readings alone say of the next."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pandas as pd
from fleets import START
from hypothesis import given
from hypothesis import strategies as st

from sensorhealth.degradation import AgeingModel
from sensorhealth.degradation.reading_law import SCALES
from sensorhealth.degradation.recent import recent, usual_change


@given(st.lists(st.integers(0, 7), min_size=1, max_size=6), st.integers(0, 99))
def test_levels_and_middles_are_those_of_each_life_alone(counts: list[int], seed: int) -> None:
    offsets = np.concatenate([[0], np.cumsum(counts)])
    y = np.random.default_rng(seed).standard_normal(offsets[-1])
    last, level, middle = recent(SimpleNamespace(counts=np.array(counts), offsets=offsets), y)  # type: ignore[arg-type]
    np.testing.assert_array_equal(last, y)
    for begin, end in pairwise(offsets):
        own = pd.Series(y[begin:end])
        np.testing.assert_allclose(level[begin:end], own.ewm(alpha=0.5, adjust=False).mean())
        np.testing.assert_allclose(middle[begin:end], own.rolling(3, min_periods=1).median())


def test_changes_grow_with_the_time_between() -> None:
    rng = np.random.default_rng(3)
    years = rng.uniform(0.1, 2.0, 4000)
    change = usual_change(years, (0.01 + 0.04 * years) * rng.standard_normal(4000) ** 2)
    np.testing.assert_allclose(change(np.array([0.3, 1.0, 1.8])), [0.022, 0.05, 0.082], rtol=0.25)


def test_levels_that_wander_about_between_noisy_readings_are_foretold_by_their_smoothed_level() -> None:
    """A walk read with noise: the model, told that nothing wanders, cannot follow it."""
    rng = np.random.default_rng(5)
    lives, visits = 60, 30
    level = 0.5 + np.cumsum(0.025 * rng.standard_normal((lives, visits)), axis=1)
    y = level + 0.045 * rng.standard_normal((lives, visits))
    age = np.tile(0.25 * np.arange(1, visits + 1), lives)
    name = np.repeat([f"s{k}" for k in range(lives)], visits)
    readings = pd.DataFrame(
        {
            "row": np.arange(y.size), "life_id": name, "age_years": age, "log_ratio": y.ravel(), "censoring": 0,
            "time": START + pd.to_timedelta(np.round(age * 365.25), unit="D"), "cylinder": "",
            "cylinder_days": 0.0, "session": "",
        }
    )  # fmt: skip
    table = pd.DataFrame({"life_id": pd.unique(name), "technology": "electrochemical", "gas": "CO", "stratum": "k", "lot": ""})
    law = AgeingModel(curves="exponential", brownian=False, parameter_uncertainty=False).fit(readings, table).reading_laws()["k"]
    shares = law.shares[1:].reshape(-1, SCALES.size).sum(axis=1)[::2]  # the model, the last value, its level, the middle of three
    assert shares[2] == shares.max() and shares[2] > 0.3, shares.round(2)
