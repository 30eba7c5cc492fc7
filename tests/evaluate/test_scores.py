"""Scores against closed forms, a general scoring library and a worked case."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from sensorhealth.evaluate.prognostics import alpha_lambda, alpha_lambda_mass, prognostic_horizon
from sensorhealth.evaluate.scores import (
    Integrals,
    brier,
    censoring_weights,
    crps_distribution,
    crps_mixture,
    crps_normal,
    reliability_bins,
)


def test_crps_of_normal_forecasts() -> None:
    # Gneiting and Raftery (2007), closed form = integral = scoringrules 0.10
    expected = [0.2336949773, 0.6024413576, 1.4527918217, 1.9888480080, 90.3662036441]
    got = crps_normal([0, 0, 0, 10, 1000], [1, 1, 1, 2, 150], [0, 1, 2, 13, 850])
    assert got == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("law", "observed", "expected"),
    [
        (stats.expon(), 1.0, 0.2357588823),
        (stats.expon(scale=1000), 500.0, 213.0613194253),
        (stats.lognorm(1.0), 1.0, 0.2674054670),
        (stats.lognorm(0.4, scale=np.exp(6.5)), 500.0, 106.5428742476),
        (stats.gamma(3, scale=2), 5.0, 0.7777824388),
        (stats.weibull_min(2), 1.0, 0.1330088030),
        (stats.weibull_min(2.5, scale=1000), 600.0, 160.7355167),
    ],
)
def test_crps_of_distributions_on_a_grid(law: stats.rv_continuous, observed: float, expected: float) -> None:
    grid = np.concatenate([[0.0], np.geomspace(1e-4, 1.0, 4000) * law.ppf(1 - 1e-12)])
    assert crps_distribution(grid, law.cdf(grid)[None], observed)[0] == pytest.approx(expected, rel=2e-4)


def test_crps_on_a_grid_is_the_exact_integral_of_straight_pieces() -> None:
    grid, cdf = np.array([0.0, 1.0, 4.0]), np.array([[0.1, 0.5, 0.9]])
    for observed, end in ((0.6, 4.0), (2.0, 3.5), (np.inf, 2.5), (3.0, 2.0)):

        def squared(x: float, observed: float = observed) -> float:
            return float((np.interp(x, grid, cdf[0]) - (x >= observed)) ** 2)

        points = [p for p in (0.6, 1.0, 2.0, 3.0) if p < end]
        expected, _ = integrate.quad(squared, 0.0, end, points=points, limit=200)
        assert crps_distribution(grid, cdf, observed, end)[0] == pytest.approx(expected, abs=1e-9)


def test_crps_of_mixtures_agrees_with_scoringrules() -> None:
    scoringrules = pytest.importorskip("scoringrules")
    rng = np.random.default_rng(1)
    mean, sd, observed = rng.normal(size=(3, 6)), rng.uniform(0.2, 2.0, (3, 6)), rng.normal(size=6)
    weight = np.array([0.2, 0.5, 0.3])
    ours = crps_mixture(weight, mean, sd**2, observed)
    theirs = scoringrules.crps_mixnorm(observed, mean.T, sd.T, np.tile(weight, (6, 1)))
    assert ours == pytest.approx(theirs, rel=1e-3)
    assert crps_mixture(np.ones(1), mean[:1], sd[:1] ** 2, observed) == pytest.approx(crps_normal(mean[0], sd[0], observed))


def test_a_threshold_score_rewards_the_truth() -> None:
    rng = np.random.default_rng(2)
    life = rng.weibull(3.0, 4000) * 800.0
    grid = np.arange(0.0, 2000.0, 10.0)

    def score(scale: float, shape: float) -> float:
        cdf = np.tile(stats.weibull_min(shape, scale=scale).cdf(grid), (life.size, 1))
        seen = np.where(life <= 700.0, life, np.inf)
        return float(crps_distribution(grid, cdf, seen, 700.0).mean())

    right = score(800.0, 3.0)
    assert right < min(score(600.0, 3.0), score(1000.0, 3.0), score(800.0, 1.5), score(800.0, 6.0))


class TestIntegrals:
    rng = np.random.default_rng(3)

    def test_exact_outcomes_are_counted(self) -> None:
        u = (np.arange(1000) + 0.5) / 1000
        assert Integrals(u, u).coverage(0.9) == pytest.approx(0.9, abs=2e-3)
        narrow = Integrals(stats.norm.cdf(2 * stats.norm.ppf(u)), stats.norm.cdf(2 * stats.norm.ppf(u)))
        assert narrow.coverage(0.9) == pytest.approx(2 * stats.norm.cdf(1.6448536 / 2) - 1, abs=0.01)

    @pytest.mark.parametrize("factor", [1.0, 2.0])
    def test_coverage_sees_through_tests_and_censoring(self, factor: float) -> None:
        """Truth spread `factor` times wider than forecast; seen at tests every 180 days, a third lost on the way."""
        n = 3000
        centre = self.rng.uniform(300, 1200, n)
        life = np.maximum(centre + factor * 150.0 * self.rng.standard_normal(n), 1.0)
        first = self.rng.uniform(0, 180, n)
        lower = np.where(life < first, 0.0, first + np.floor((life - first) / 180.0) * 180.0)
        upper = np.where(life < first, first, lower + 180.0)
        lost = np.where(self.rng.random(n) < 0.33, self.rng.uniform(0, 1500, n), 1500.0)
        ended = upper <= lost
        last_seen = np.maximum(first + np.floor((lost - first) / 180.0) * 180.0, 0.0)
        law = stats.norm(centre, 150.0)
        low = np.where(ended, np.where(lower > 0, law.cdf(lower), 0.0), law.cdf(last_seen))
        high = np.where(ended, law.cdf(upper), 1.0)
        for level in (0.5, 0.8, 0.9):
            true = 2 * stats.norm.cdf(stats.norm.ppf(0.5 + level / 2) / factor) - 1
            assert Integrals(low, high).coverage(level) == pytest.approx(true, abs=0.045)
        assert Integrals(low, high).below_median() == pytest.approx(0.5, abs=0.03)

    def test_a_late_forecast_shows(self) -> None:
        life = self.rng.normal(500, 100, 2000)
        late = stats.norm(560, 100).cdf(life)
        assert Integrals(late, late).below_median() > 0.65


def test_brier_and_reliability() -> None:
    assert brier([0.1, 0.8], [0, 1]) == pytest.approx((0.01 + 0.04) / 2)
    mean, share, count = reliability_bins([0.05, 0.15, 0.19, 0.95], [0, 1, 0, 1], [0, 0.1, 0.2, 0.5, 1.0])
    assert count.tolist() == [1, 2, 0, 1]
    assert mean[1] == pytest.approx(0.17)
    assert share[1] == 0.5
    assert np.isnan(share[2])


def test_censoring_weights_make_the_brier_score_unbiased() -> None:
    rng = np.random.default_rng(4)
    n = 20_000
    life, lost = rng.exponential(400.0, n), rng.exponential(500.0, n)
    end, ended = np.minimum(life, lost), life <= lost
    weight = censoring_weights(end, ended, 180.0)
    p = np.full(n, 0.25)
    truth = brier(p, life <= 180.0)
    assert brier(p, ended & (end <= 180.0), weight) == pytest.approx(truth, abs=0.006)
    assert abs(brier(p, ended & (end <= 180.0)) - truth) > 0.01  # without weights it is off


def test_prognostics_of_the_worked_case(published: Path) -> None:
    # made for this project after Saxena et al. (2010); end at 100, predictions every 10
    table = pd.read_csv(published / "prognostics_worked.csv")
    true, predicted = table["rul_true"].to_numpy(float), table["rul_pred"].to_numpy(float)
    assert prognostic_horizon(true, predicted, 0.10 * 100) == 60
    assert prognostic_horizon(true, predicted, 0.05 * 100) == 40
    assert np.isnan(prognostic_horizon(true, predicted + 20, 10.0))
    assert alpha_lambda(true, predicted, 0.2).tolist() == [False, False] + [True] * 6


def test_mass_near_the_truth() -> None:
    grid = np.linspace(0, 1000, 1001)
    cdf = np.tile(stats.norm(500, 100).cdf(grid), (2, 1))
    mass = alpha_lambda_mass([500.0, 900.0], 0.2, grid, cdf)
    assert mass == pytest.approx([stats.norm.cdf(1) - stats.norm.cdf(-1), 1 - stats.norm.cdf(2.2)], abs=1e-3)
