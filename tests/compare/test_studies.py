"""The watch's false alarms and the planner's power, by simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from sensorhealth.compare.sequential import evidence, normal_score
from sensorhealth.compare.study import StudyBasis, power, sensors_needed, slope_variance
from sensorhealth.compare.subset import draw_sensors, known_by, only_sensors
from sensorhealth.degradation.curves import Linear
from sensorhealth.synthetic import ModelSizes, simulate_arrays

from .designs import against_rest, arrays, fitted

SIZES = ModelSizes(level_sd=0.12, slope_sd=0.06, noise=0.025, cylinder=0.03, slope=-0.18)
BASIS = StudyBasis(0.18, np.diag([0.12**2, 0.06**2]), 0.0, 0.025**2, Linear(1.0))


def test_evidence_is_the_likelihood_mixed_over_the_size_of_the_effect() -> None:
    z, information, scale = -2.1, 400.0, 0.06
    estimate = z / np.sqrt(information)

    def ratio(effect: float) -> float:
        return float(np.exp(information * (estimate * effect - effect**2 / 2)))

    one = integrate.quad(lambda e: 2 * stats.norm.pdf(e, 0, scale) * ratio(e), -1, 0)[0]
    both = integrate.quad(lambda e: stats.norm.pdf(e, 0, scale) * ratio(e), -1, 1)[0]
    assert evidence(np.array([z]), np.array([information]), scale, -1)[0] == pytest.approx(one, rel=1e-6)
    assert evidence(np.array([z]), np.array([information]), scale, 0)[0] == pytest.approx(both, rel=1e-6)


def test_looking_many_times_raises_no_more_false_alarms_than_stated() -> None:
    """Brownian motion in information, 200 looks: plain 5 % tests raise false alarms in over 30 %, the evidence in under 5."""
    rng = np.random.default_rng(1)
    information = np.arange(1, 201.0)
    z = np.cumsum(rng.standard_normal((4000, 200)), axis=1) / np.sqrt(information)
    weight = evidence(z, np.broadcast_to(information, z.shape), 0.2, -1)
    assert (weight.max(axis=1) >= 20).mean() <= 0.05
    assert (np.abs(z) > 1.96).any(axis=1).mean() > 0.3


def test_normal_scores_keep_the_tail_probability() -> None:
    t, degrees = np.array([-3.0, 0.5, 40.0]), np.array([5.0, 8.0, 12.0])
    z = normal_score(t, degrees)
    assert stats.norm.sf(np.abs(z)) == pytest.approx(stats.t.sf(np.abs(t), degrees))
    assert (np.sign(z) == np.sign(t)).all()


def test_error_of_one_sensors_rate_is_the_table_of_textbook_slopes() -> None:
    """sigma / sqrt(n (n^2 - 1) / 12) per month from n monthly readings: 3 % scatter, n = 12 gives 0.25 % a month."""
    plain = StudyBasis(0.18, np.zeros((2, 2)), 0.0, 0.03**2, Linear(1.0))
    for count, expected in ((4, 1.3), (6, 0.72), (9, 0.39), (12, 0.25), (24, 0.09)):
        variance = slope_variance(plain, count - 1, 365.25 / 12)
        exact = 0.03 / np.sqrt(count * (count**2 - 1) / 12)
        assert np.sqrt(variance) / 12 == pytest.approx(exact, rel=1e-9)
        assert 100 * exact == pytest.approx(expected, rel=0.05)


def test_power_without_random_slopes_is_that_of_the_two_sample_t_test() -> None:
    """R 4.2.2 power.t.test(n = 20, delta = 1, sd = 1): power 0.8689528; power 0.90 needs n = 22.02110."""
    unit = StudyBasis(1.0, np.diag([0.0, 1.0]), 0.0, 1e-12, Linear(1.0))
    assert power(unit, 1.0, 12, 20) == pytest.approx(0.8689528, abs=1e-5)
    assert sensors_needed(unit, 1.0, 12, 0.90) == 23


def test_more_months_or_larger_changes_need_fewer_sensors() -> None:
    counts = [[sensors_needed(BASIS, change, months, 0.8) for months in (6, 12, 24)] for change in (0.2, 0.4)]
    assert all(row == sorted(row, reverse=True) for row in counts)
    assert all(more > fewer for more, fewer in zip(counts[0], counts[1]))
    assert sensors_needed(BASIS, 1e-4, 12, 0.8) is None
    assert power(BASIS, 0.3, 12, 1) == 0.0


@pytest.mark.slow
@pytest.mark.parametrize(("change", "months"), [(0.3, 12), (0.5, 6), (0.25, 24)])
def test_planned_power_is_reached_within_three_points(study_size, change: float, months: int) -> None:
    """Two lots of the planned size at the same visits on shared cylinders, tested as any lot is."""
    count = sensors_needed(BASIS, change, months, 0.8)
    assert count is not None
    planned = power(BASIS, change, months, count)
    fleets, visits = study_size(1500), int(months * 365.25 / 12 // 30) + 1
    found = []
    for seed in range(fleets):
        rng = np.random.default_rng(seed)
        fleet = simulate_arrays(
            2 * count, visits, rng=rng, sizes=SIZES, lots=2, region=None, cylinder_uses=40, interval_days=30.0, stagger_years=0.0
        )
        lot = np.arange(2 * count) % 2
        sensor = np.repeat(np.arange(2 * count), visits)
        faster = fleet.y - change * 0.18 * fleet.t * (lot[sensor] == 0)
        grouped = fitted(_with(fleet, faster, lot), 2)
        contrast = against_rest(grouped, 0, grouped.slope)
        assert contrast is not None
        found.append(contrast.p_value()[0] < 0.05)
    noise = 2.0 * np.sqrt(planned * (1 - planned) / fleets)
    assert np.mean(found) == pytest.approx(planned, abs=0.03 + (noise if fleets < 1500 else 0.0))


def _with(fleet, y, lot):
    from dataclasses import replace

    return replace(fleet, y=y, lot=lot, region=np.zeros_like(lot))


@pytest.mark.slow
def test_a_watched_lot_that_is_no_different_rarely_raises_an_alarm(study_size) -> None:
    """24 monthly looks at a new lot of 8 sensors among 24 older ones, variances estimated anew at each look."""
    fleets = study_size(200)
    alarms = 0
    for seed in range(fleets):
        rng = np.random.default_rng(700 + seed)
        fleet = simulate_arrays(32, 24, rng=rng, sizes=SIZES, region=None, cylinder_uses=40, interval_days=30.0)
        lot = (np.arange(32) < 8).astype(np.int64)
        data = arrays(_with(fleet, fleet.y, lot))
        largest = 0.0
        for look in range(3, 25, 3):
            known = fleet.date <= look * 30 / 365.25
            grouped = fit_known(data, known, lot)
            contrast = against_rest(grouped, 1, grouped.slope)
            if contrast is not None:
                z = normal_score(contrast.t(), contrast.degrees)
                largest = max(largest, float(evidence(z, 1 / contrast.error**2, 0.3 * 0.18, -1)[0]))
        alarms += largest >= 20.0
    assert alarms / fleets <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / fleets)


def fit_known(data, known, lot):
    from sensorhealth.compare.groups import fit_groups

    return fit_groups(known_by(data, known), lot, 2, adjust_errors=False)


def test_very_large_kinds_are_compared_on_an_equal_part_of_every_group(monkeypatch) -> None:
    from sensorhealth.compare import subset

    fleet = simulate_arrays(400, 5, rng=np.random.default_rng(1), lots=1, region=None)
    lot = (np.arange(400) < 40).astype(np.int64)
    data = arrays(fleet)
    assert draw_sensors(data, lot, 10, np.random.default_rng(1)).all()
    monkeypatch.setattr(subset, "MOST_ENTRIES", 5000)
    chosen = draw_sensors(data, lot, 10, np.random.default_rng(1))
    assert np.bincount(lot, chosen) == pytest.approx([50, 40])
    part = known_by(data, np.repeat(chosen, 5))
    assert part.y.size == 5 * 90
    assert part.sensors == 400
    monkeypatch.setattr(subset, "MANY_COLUMNS", 5)
    met = np.bincount(part.classes[0].index)
    small = only_sensors(data, chosen)
    assert small.classes[0].size == (met >= subset.FEWEST_MET).sum()
    assert small.sensors == 90
    assert np.array_equal(small.y, part.y)
    assert part.classes[0].size == np.unique(data.classes[0].index[np.repeat(chosen, 5)]).size
