"""One battery of laws for every family of life distributions, and scipy as the outside word on each that it has."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy import integrate, stats

from sensorhealth.life.families import LifeFamily, life_families
from sensorhealth.life.families.piecewise import Piecewise

THETA = {
    "weibull": np.array([np.log(2.5), np.log(3.0)]),
    "lognormal": np.array([0.8, np.log(0.6)]),
    "exponential": np.array([np.log(0.3)]),
    "piecewise": np.log([0.05, 0.4, 0.1, 0.8, 0.3]),
}
FAMILIES = list(life_families().values())
AGES = np.array([0.05, 0.3, 0.5, 0.9, 1.7, 2.6, 4.0, 7.0])
every_family = pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.name)


def density(family: LifeFamily, age: ArrayLike, theta: np.ndarray) -> np.ndarray:
    return np.exp(family.log_hazard(age, theta) - family.cumulative_hazard(age, theta))


@every_family
def test_hazard_is_the_slope_of_the_cumulative_hazard(family: LifeFamily) -> None:
    theta, step = THETA[family.name], 1e-6
    ages = AGES + 0.003  # off the knots
    slope = (family.cumulative_hazard(ages + step, theta) - family.cumulative_hazard(ages - step, theta)) / (2 * step)
    assert family.hazard(ages, theta) == pytest.approx(slope, rel=1e-6)


@every_family
def test_density_adds_up_to_the_distribution(family: LifeFamily) -> None:
    theta = THETA[family.name]
    for age in (0.4, 2.0, 6.0):
        mass, _ = integrate.quad(
            lambda t: float(density(family, t, theta)), 0, age, points=[k for k in (0.5, 1.5, 3, 5) if k < age]
        )
        assert mass == pytest.approx(float(family.cdf(age, theta)), abs=1e-7)


@every_family
def test_quantile_undoes_the_distribution(family: LifeFamily) -> None:
    theta, q = THETA[family.name], np.array([1e-9, 0.01, 0.3, 0.5, 0.9, 0.999])
    assert family.cdf(family.quantile(q, theta), theta) == pytest.approx(q, rel=1e-9)
    assert family.age_at(family.cumulative_hazard(AGES, theta), theta) == pytest.approx(AGES, rel=1e-9)


@every_family
def test_survival_starts_at_one_falls_and_goes_to_nought(family: LifeFamily) -> None:
    theta = THETA[family.name]
    survival = family.sf(np.array([0.0, *AGES, 1e6, np.inf]), theta)
    assert survival[0] == 1.0
    assert (np.diff(survival) <= 0).all()
    assert survival[-1] == 0.0
    assert family.sf(AGES, theta) + family.cdf(AGES, theta) == pytest.approx(np.ones(AGES.size), abs=1e-12)


@every_family
def test_draws_of_parameters_broadcast_against_ages(family: LifeFamily) -> None:
    theta = np.stack([THETA[family.name], THETA[family.name] + 0.1, THETA[family.name] - 0.2])
    many = family.log_hazard(AGES, theta[:, None, :])
    assert many.shape == (3, AGES.size)
    assert many[2] == pytest.approx(family.log_hazard(AGES, theta[2]))
    assert family.cumulative_hazard(AGES, theta[:, None, :])[1] == pytest.approx(family.cumulative_hazard(AGES, theta[1]))


@every_family
def test_the_parameters_are_named_and_the_start_is_usable(family: LifeFamily) -> None:
    start = family.start(0.2, 1.5)
    assert start.shape == THETA[family.name].shape == (len(family.parameters),)
    assert np.isfinite(family.log_hazard(AGES, start)).all()
    assert family.natural(start).shape == start.shape
    assert all(0 <= position < start.size for position in family.shapes)


@every_family
def test_its_own_probability_paper_makes_it_straight(family: LifeFamily) -> None:
    theta = THETA[family.name]
    x, y = family.paper(AGES, family.cumulative_hazard(AGES, theta))
    if family.name == "piecewise":
        assert (np.diff(y) > 0).all()  # straight only between its knots
    else:
        assert y == pytest.approx(np.polyval(np.polyfit(x, y, 1), x), abs=1e-8)


@pytest.mark.parametrize(
    ("name", "law"),
    [
        ("weibull", stats.weibull_min(3.0, scale=2.5)),
        ("lognormal", stats.lognorm(0.6, scale=np.exp(0.8))),
        ("exponential", stats.expon(scale=1 / 0.3)),
    ],
)
def test_scipy_gives_the_same(name: str, law: stats.rv_continuous) -> None:
    family, theta = life_families()[name], THETA[name]
    assert family.cdf(AGES, theta) == pytest.approx(law.cdf(AGES), rel=1e-12)
    assert density(family, AGES, theta) == pytest.approx(law.pdf(AGES), rel=1e-10)
    assert family.quantile([0.1, 0.5, 0.99], theta) == pytest.approx(law.ppf([0.1, 0.5, 0.99]), rel=1e-12)
    assert -family.cumulative_hazard(40.0, theta) == pytest.approx(law.logsf(40.0), rel=1e-10)


def test_piecewise_rates_hold_between_their_knots() -> None:
    family = Piecewise((1.0, 2.0))
    theta = np.log([0.1, 0.5, 0.2])
    assert family.cumulative_hazard([0.5, 1.0, 1.5, 4.0], theta) == pytest.approx([0.05, 0.1, 0.35, 1.0])
    with pytest.raises(ValueError, match="increasing"):
        Piecewise((2.0, 1.0))
