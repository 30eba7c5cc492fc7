"""Kinds fitted beside each other, and what is asked of kinds whose path does not lead to their end."""

from __future__ import annotations

import os

import numpy as np
import pandas as pd
import pytest
from fleets import Truth, simulate

from sensorhealth import second_core
from sensorhealth.degradation import AgeingModel, strata

KINDS = (("electrochemical", "CO"), ("electrochemical", "H2S"), ("galvanic oxygen", "O2"))


@pytest.fixture(scope="module")
def frames() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Readings, lives and cylinders of three kinds in two technologies."""
    drawn = [
        simulate(Truth(), 40 + 10 * k, np.random.default_rng(70 + k), technology=technology, gas=gas, tag=gas)
        for k, (technology, gas) in enumerate(KINDS)
    ]
    return tuple(  # type: ignore[return-value]
        pd.concat([getattr(fleet, part) for fleet in drawn], ignore_index=True) for part in ("readings", "lives", "cylinders")
    )


def test_kinds_fitted_in_two_processes_are_those_fitted_in_one(
    frames: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    where: list[int] = []
    fit = strata._one_after_the_other
    monkeypatch.setattr(strata, "_one_after_the_other", lambda *some: where.append(os.getpid()) or fit(*some))
    models = []
    for cores in (1, 2):
        monkeypatch.setattr(second_core, "_cores", lambda cores=cores: cores)
        models.append(AgeingModel(curves="exponential").fit(*frames))
    assert len(where) == 3  # twice here, and here once more while the rest was fitted elsewhere
    one, two = models
    assert list(one.strata_) == list(two.strata_) == sorted(f"{technology} {gas}" for technology, gas in KINDS)
    for name in ("fixed_effects_", "variance_parameters_", "curves_", "cylinder_effects_", "residuals_"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name), check_exact=True)


def test_kinds_whose_path_leads_to_no_end_are_not_asked_how_it_would_go_on(
    frames: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame],
) -> None:
    curves = AgeingModel(parameter_uncertainty=False).fit(*frames).curves_
    tried = curves.groupby("stratum")["curve"].agg(set)
    assert tried["electrochemical CO"] >= {"exponential", "linear loss", "plateau then knee"}
    assert tried["galvanic oxygen O2"] >= {"exponential", "square root"}
    assert not tried["galvanic oxygen O2"] & {"linear loss", "plateau then knee", "steady then knee", "steady then runaway"}


@pytest.mark.parametrize(
    ("session_sd", "recorded", "kept"),
    [(0.02, True, False), (0.06, True, True), (0.02, False, True)],
    ids=["small ones are left out", "large ones are not", "nor those that stand in for the gas"],
)
def test_only_large_effects_of_sessions_are_kept_where_that_is_asked(session_sd: float, recorded: bool, kept: bool) -> None:
    fleet = simulate(Truth(session_sd=session_sd, cylinder_sd=0.0), 60, np.random.default_rng(5))
    readings = fleet.readings if recorded else fleet.readings.assign(cylinder="")
    model = AgeingModel(curves="exponential", sessions="large").fit(readings, fleet.lives, fleet.cylinders)
    assert bool((model.session_effects_["effect"] != 0.0).any()) == kept
