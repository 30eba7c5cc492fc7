"""Small fleets and fleets with zero variances: the search ends, and no other start finds anything lower."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest
from scipy.optimize import minimize

from sensorhealth.degradation.reml import CrossedFit, Penalty, VarianceParameters, fit
from sensorhealth.degradation.reml_parameters import ParameterSpace


def small_fleets() -> ModuleType:
    path = Path(__file__).resolve().parents[3] / "benchmarks" / "small_fleets.py"
    spec = importlib.util.spec_from_file_location("small_fleets", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["small_fleets"] = module
    spec.loader.exec_module(module)
    return module


def lowest_from_elsewhere(found: CrossedFit, rng: np.random.Generator, starts: int = 3) -> float:
    """Lowest criterion that a general-purpose minimiser (L-BFGS-B) finds from random starts."""
    criterion = found.criterion
    best = np.inf

    def value(phi: np.ndarray) -> tuple[float, np.ndarray]:
        point = criterion(phi)
        return point.value, point.gradient

    for _ in range(starts):
        start = (np.abs(found.phi) + 0.3) * rng.uniform(0.2, 1.5, len(found.phi))
        try:
            best = min(best, minimize(value, start, jac=True, method="L-BFGS-B", options={"maxiter": 200}).fun)
        except np.linalg.LinAlgError:
            continue
    return best


@pytest.mark.parametrize("penalty", [None, Penalty()])
def test_search_ends_at_the_lowest_point_for_every_kind_of_small_fleet(penalty):
    module = small_fleets()
    rng = np.random.default_rng(8)
    for setting in module.SETTINGS.values():
        for _ in range(3):
            found = fit(module.draw(setting, rng), brownian=setting.fit_wander, penalty=penalty)
            assert found.converged
            assert found.evaluation.value <= lowest_from_elsewhere(found, rng, starts=1) + 1e-6


@pytest.mark.slow
def test_none_of_a_thousand_small_fleets_fails(study_size: Callable[[int], int]):
    table = small_fleets().count_failures(study_size(1000), 1)
    assert table["not_converged"].sum() == 0
    assert table["evaluations_most"].max() < 60


def test_penalty_keeps_small_fleets_off_the_boundary():
    """Chung et al. (2013), Psychometrika 78:685-709: with -2 log of the standard deviations no estimate is zero."""
    module = small_fleets()
    rng = np.random.default_rng(4)
    setting = module.SETTINGS["ten sensors, noise only"]
    plain, kept = [], []
    for _ in range(20):
        data = module.draw(setting, rng)
        plain.append(fit(data).parameters)
        kept.append(fit(data, penalty=Penalty()).parameters)
    assert sum(p.crossed["gas"] < 1e-10 for p in plain) > 5
    assert all(p.crossed["gas"] > 1e-6 and np.linalg.det(p.sensor) > 0 for p in kept)


def test_centred_penalty_pulls_a_small_fleet_towards_the_larger_one():
    module = small_fleets()
    setting = module.SETTINGS["ten sensors"]
    data = module.draw(setting, np.random.default_rng(2))
    free = fit(data).parameters
    centre = fit(module.draw(module.Setting(sensors=400), np.random.default_rng(3))).parameters
    ratios = []
    for weight in (0.0, 1.0, 1e4):
        pulled = fit(data, penalty=Penalty(boundary=0.0, centre=centre, weight=weight)).parameters
        ratios.append(np.log(pulled.crossed["gas"] / pulled.residual / (centre.crossed["gas"] / centre.residual)))
    assert ratios[0] == pytest.approx(
        np.log(free.crossed["gas"] / free.residual / (centre.crossed["gas"] / centre.residual)), abs=1e-4
    )
    assert abs(ratios[2]) < 0.01 < abs(ratios[1]) < abs(ratios[0])


def test_a_warm_start_at_zero_finds_an_effect_that_is_there():
    module = small_fleets()
    data = module.draw(module.Setting(sensors=60, cylinders=12), np.random.default_rng(6))
    cold = fit(data)
    gone = fit(data, start=type(cold.parameters)(cold.parameters.residual, np.zeros((2, 2)), {"gas": 0.0}))
    assert gone.deviance == pytest.approx(cold.deviance, abs=1e-8)
    again = fit(data, start=cold.parameters)
    assert again.evaluations <= 2


def test_a_search_is_given_up_only_where_what_is_wanted_is_out_of_reach():
    module = small_fleets()
    rng = np.random.default_rng(21)
    saved = 0
    for setting in module.SETTINGS.values():
        for _ in range(3):
            data = module.draw(setting, rng)
            plain = fit(data, brownian=setting.fit_wander)
            start = VarianceParameters(
                4.0 * plain.parameters.residual,
                0.3 * plain.parameters.sensor,
                {name: 5.0 * value for name, value in plain.parameters.crossed.items()},
                plain.parameters.brownian,
            )
            full = fit(data, brownian=setting.fit_wander, start=start)
            near = fit(data, brownian=setting.fit_wander, start=start, wanted=full.deviance + 1e-6)
            assert near.converged and near.deviance == full.deviance
            far = fit(data, brownian=setting.fit_wander, start=start, wanted=full.deviance - 1e4)
            assert not far.converged and far.deviance >= full.deviance - 1e-6
            saved += full.evaluations - far.evaluations
    assert saved > 0


def test_a_trial_that_leaves_no_digit_of_the_residual_variance_is_none() -> None:
    """Minus infinity would be taken for the best of all fits."""
    space = ParameterSpace((), "intercept+slope", "REML", readings=5, fixed=2, brownian=False, penalty=None)
    left = SimpleNamespace(rss=0.0, log_det=0.0, log_det_x=0.0)
    assert space.deviance(left, None)[0] == np.inf
    assert np.isfinite(space.deviance(left, 1.0)[0])
