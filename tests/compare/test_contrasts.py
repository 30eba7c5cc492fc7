"""Contrasts of lots agree with other software and err as often as they say."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sensorhealth.compare.groups import Grouped, fit_groups
from sensorhealth.compare.pairs import family_p_values
from sensorhealth.compare.rest import against_rest as held_against_rest
from sensorhealth.compare.rest import odd_groups
from sensorhealth.compare.wald import fixed_effects
from sensorhealth.degradation import reml
from sensorhealth.degradation.reml_data import CrossedClass, CrossedData
from sensorhealth.degradation.reml_inverse import Covariance

from .designs import against_rest, fitted, removed_when_low, unbalanced_fleet


@pytest.fixture(scope="module")
def two_sites() -> tuple[pd.DataFrame, Grouped]:
    """24 sensors of three lots at two sites, on 11 cylinders: drawn from the model, kept as a table for other software."""
    frame = pd.read_csv(Path(__file__).parent / "two_sites.csv")
    first = np.arange(0, len(frame), 8)
    g = frame["g"].to_numpy()
    cylinders = CrossedClass("cylinder", frame["cylinder"].to_numpy(), None, int(frame["cylinder"].max()) + 1)
    data = CrossedData(frame["y"].to_numpy(), np.column_stack([np.ones_like(g), g]), np.arange(25) * 8, g, None, (cylinders,))
    return frame, fit_groups(data, frame["lot"].to_numpy()[first], 3, (frame["site"].to_numpy()[first],))


def test_contrast_of_a_lot_is_that_of_other_software(two_sites: tuple[pd.DataFrame, Grouped]) -> None:
    """R 4.2.2, lme4 1.1.31, lmerTest 3.1.3 (rhoend 1e-10), s = site centred over sensors,

    lmer(y ~ 0 + lot + lot:g + s + s:g + (1 + g | sensor) + (1 | cylinder)); contest1D of lot 0 against the mean of lots 1
    and 2 weighted by sensors: slope 0.01352419858, error 0.0268806344, Satterthwaite df 20.03; level 0.02782135076, error
    0.05162174892, df 19.83; Kenward-Roger errors 0.02688608795 and 0.05166253608 (there from the expected information,
    here from the average one, hence the last digits).
    """
    grouped = two_sites[1]
    assert grouped.fit.deviance == pytest.approx(-629.4316843, abs=1e-6)
    expected = (
        (grouped.slope, 0.01352419858, 0.0268806344, 0.02688608795, 20.03),
        (grouped.level, 0.02782135076, 0.05162174892, 0.05166253608, 19.83),
    )
    plain = fixed_effects(grouped.fit, adjust=False)
    for columns, estimate, error, adjusted, degrees in expected:
        row = grouped.rows(columns[:1])[0] - grouped.rest(0, columns)
        assert plain.contrasts(row).estimate[0] == pytest.approx(estimate, rel=1e-5)
        assert plain.contrasts(row).error[0] == pytest.approx(error, rel=1e-5)
        assert grouped.contrasts(row).error[0] == pytest.approx(adjusted, rel=3e-4)
        assert grouped.contrasts(row).degrees[0] == pytest.approx(degrees, rel=0.02)


@pytest.mark.parametrize("brownian", [False, True])
def test_small_sample_corrections_are_the_published_formula_in_dense_matrices(brownian: bool) -> None:
    """Kenward and Roger (1997), Biometrics 53:983-997, eq. 5, and Satterthwaite's degrees, with every matrix written out."""
    fleet = unbalanced_fleet(7, 36, 8, 2)
    grouped = fit_groups(arrays_of(fleet), fleet.lot, 2, (fleet.region,), brownian=brownian)
    fit, found = grouped.fit, fixed_effects(grouped.fit, adjust=True)
    x, count = fit.criterion.layout.data.x, len(fit.criterion.layout.data.y)
    parts = Covariance(fit.evaluation).parts(np.eye(count))
    inverse = np.linalg.inv(sum(value * part for value, part in zip(fit.variances, parts, strict=True)))
    phi = np.linalg.inv(x.T @ inverse @ x)
    slopes = [phi @ x.T @ inverse @ part @ inverse @ x @ phi for part in parts]
    assert np.allclose(found.derivatives, slopes, rtol=1e-8, atol=1e-8 * np.abs(slopes).max())
    middle = np.zeros_like(phi)
    for i, one in enumerate(parts):
        for j, other in enumerate(parts):
            p_i, p_j = (-x.T @ inverse @ part @ inverse @ x for part in (one, other))
            q = x.T @ inverse @ one @ inverse @ other @ inverse @ x
            middle += found.spread[i, j] * (q - p_i @ phi @ p_j)
    assert np.allclose(found.adjusted, phi + 2.0 * phi @ middle @ phi, rtol=1e-8, atol=1e-10 * np.abs(phi).max())
    assert np.diag(found.adjusted - found.covariance).min() > 1e-4 * np.diag(phi).min()


def test_contrast_without_shared_cylinders_is_that_of_statsmodels() -> None:
    """statsmodels MixedLM (random level and slope per sensor) knows no crossed effects; without them both are one model."""
    import statsmodels.api as sm

    fleet = unbalanced_fleet(3, 30, 10, 3)
    sensor = np.repeat(np.arange(30), 10)
    y = fleet.y - fleet.cylinder_effect[fleet.cylinder]
    data = CrossedData(y, np.column_stack([np.ones_like(y), fleet.t]), fleet.offsets, fleet.t)
    grouped = fit_groups(data, fleet.lot, 3)
    lot = fleet.lot[sensor]
    columns = [*((lot == k) * 1.0 for k in range(3)), *((lot == k) * fleet.t for k in range(3))]
    z = np.column_stack([np.ones_like(y), fleet.t])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of a correlation near its bound
        other = sm.MixedLM(y, np.column_stack(columns), sensor, z).fit(reml=True, gtol=1e-9)
    row = np.array([0, 0, 0, 1.0, -0.5, -0.5])
    assert row @ grouped.fit.beta == pytest.approx(row @ other.fe_params, rel=1e-4)
    error = np.sqrt(row @ other.cov_params()[:6, :6] @ row)
    assert np.sqrt(row @ grouped.fit.beta_covariance @ row) == pytest.approx(error, rel=1e-4)


def test_all_pairs_of_a_balanced_layout_are_tukeys(published: Path) -> None:
    """PlantGrowth: R 4.2.2 TukeyHSD(aov(weight ~ group)): trt2-trt1 0.01200642, trt1-ctrl 0.39087114, trt2-ctrl 0.19799599."""
    table = pd.read_csv(published / "plantgrowth.csv")
    groups = ["ctrl", "trt1", "trt2"]
    x = (table["group"].to_numpy()[:, None] == np.array(groups)).astype(float)
    y = table["weight"].to_numpy()
    fit = reml.fit(CrossedData(y, x, np.arange(31), np.zeros(30), random="none"))
    pairs = fixed_effects(fit).contrasts(np.array([[0, -1, 1], [-1, 1, 0], [-1, 0, 1.0]]))
    assert pairs.degrees == pytest.approx(27.0)
    assert pairs.estimate == pytest.approx([0.865, -0.371, 0.494])
    found = family_p_values(pairs, draws=200_000)
    assert found == pytest.approx([0.01200642, 0.39087114, 0.19799599], abs=0.003)


def test_differences_that_a_site_could_explain_are_not_compared() -> None:
    """Lots 0 and 1 share sites 0 and 1; lots 2 and 3 share site 2: no chain of lots and sites joins the two pairs."""
    fleet = unbalanced_fleet(5, 40, 8, 4)
    site = np.where(fleet.lot < 2, np.arange(40) % 2, 2)
    grouped = fit_groups(arrays_of(fleet), fleet.lot, 4, (site,))
    assert grouped.part[0] == grouped.part[1] != grouped.part[2] == grouped.part[3]
    rest = grouped.rest(0, grouped.slope)
    assert rest is not None
    assert set(np.flatnonzero(rest)) == {grouped.slope[1]}
    alone = fit_groups(arrays_of(fleet), fleet.lot, 4, (fleet.lot,))
    assert alone.rest(0, alone.slope) is None


def arrays_of(fleet):
    from .designs import arrays

    return arrays(fleet)


def test_a_lot_with_one_sensor_is_counted_but_not_compared() -> None:
    fleet = unbalanced_fleet(6, 30, 8, 2)
    lot = fleet.lot.copy()
    lot[0] = 2
    grouped = fit_groups(arrays_of(fleet), lot, 3)
    assert grouped.slope[2] == -1
    assert grouped.sensors[2] == 1
    assert (grouped.slope[:2] >= 0).all()


def test_suppliers_are_compared_over_lots_not_over_sensors() -> None:
    """With effects of lots, the error of a supplier's rate counts lots: it must exceed the error that forgets them."""
    from sensorhealth.synthetic import ModelSizes

    sizes = ModelSizes(lot_slope=0.06, slope_sd=0.02)
    fleet = unbalanced_fleet(7, 90, 10, 6, sizes)
    supplier = fleet.lot % 2
    with_lots = fit_groups(arrays_of(fleet), supplier, 2, (), fleet.lot)
    without = fit_groups(arrays_of(fleet), supplier, 2)
    errors = [against_rest(item, 0, item.slope).error[0] for item in (with_lots, without)]
    assert errors[0] > 1.5 * errors[1]
    assert against_rest(with_lots, 0, with_lots.slope).degrees[0] < 12


def test_a_bad_lot_does_not_make_the_good_ones_look_good() -> None:
    """Four lots of which one loses twice as fast: it is taken out of the rest, and then no other stands out."""
    from dataclasses import replace

    fleet = unbalanced_fleet(8, 80, 12, 4)
    sensor = np.repeat(np.arange(80), 12)
    spoilt = replace(fleet, y=fleet.y - 0.18 * fleet.t * (fleet.lot[sensor] == 2))
    grouped = fitted(spoilt, 4)
    assert list(odd_groups(grouped, 0.05)) == [False, False, True, False]
    plain = held_against_rest(grouped, grouped.slope, np.zeros(4, bool)).gap.p_value()
    cleared = held_against_rest(grouped, grouped.slope, odd_groups(grouped, 0.05)).gap.p_value()
    assert min(plain[[0, 1, 3]]) < 0.05 < min(cleared[[0, 1, 3]])
    assert cleared[2] == pytest.approx(plain[2])


def test_ratio_to_the_rest_uses_the_covariance_of_both() -> None:
    grouped = fitted(unbalanced_fleet(8, 80, 12, 4), 4)
    found = held_against_rest(grouped, grouped.slope, np.zeros(4, bool))
    rest = grouped.rest(1, grouped.slope)
    both = grouped.contrasts(np.vstack([grouped.rows(grouped.slope[1:2])[0], rest]))
    assert found.covariance[1] == pytest.approx(both.covariance[0, 1], abs=1e-12)
    assert found.rest[1] == pytest.approx(both.estimate[1])


def test_of_very_many_lots_those_with_the_most_readings_are_compared(monkeypatch) -> None:
    from sensorhealth.compare import source

    monkeypatch.setattr(source, "MOST_GROUPS", 2)
    code = np.array([0, 1, 1, 2, 2, -1])
    assert list(source._largest(code, np.array([9, 1, 1, 3, 3, 5]), 3)) == [0, -1, -1, 2, 2, -1]


FEWEST_FLEETS = 200
"""Null fleets that a study of the level needs at least: with 20 the claim and an error rate of 15 % look the same."""


def consistent(rejected: int, fleets: int, low: float, high: float) -> bool:
    """Whether a count of rejections agrees with some true rate from `low` to `high`: exact binomial, at one in a thousand.

    With 1 000 fleets that accepts 22 to 84 rejections for a rate of 4 to 6 %, with 200 fleets 1 to 24.
    """
    return bool(stats.binom.sf(rejected - 1, fleets, high) > 1e-3 and stats.binom.cdf(rejected, fleets, low) > 1e-3)


def test_tolerance_of_the_study_is_that_of_the_binomial_distribution() -> None:
    for fleets, ends in ((1000, (22, 84)), (200, (1, 24))):
        accepted = [count for count in range(fleets) if consistent(count, fleets, 0.04, 0.06)]
        assert (accepted[0], accepted[-1]) == ends


@pytest.mark.slow
@pytest.mark.parametrize(
    ("sensors", "readings", "lots", "limit"), [(15, 10, 2, -9.0), (30, 12, 4, -9.0), (30, 16, 3, 0.45), (90, 12, 5, 0.45)]
)
def test_equal_lots_are_called_different_as_often_as_the_level_says(
    study_size, sensors: int, readings: int, lots: int, limit: float
) -> None:
    """Null fleets with lots unbalanced over sites, shared cylinders, few sensors, and sensors that leave when they are low.

    Measured over 10 000 to 13 000 fleets of each design: 5.0, 5.5, 5.1, 5.2 % for the rate, 4.8, 4.9, 5.0, 5.0 % for the level.
    """
    fleets = max(study_size(1000), FEWEST_FLEETS)
    rejected, tested = np.zeros(2, int), np.zeros(2, int)
    for seed in range(fleets):
        fleet = unbalanced_fleet(1000 + seed, sensors, readings, lots)
        grouped = fitted(fleet, lots, removed_when_low(fleet, limit))
        for at, columns in enumerate((grouped.slope, grouped.level)):
            contrast = against_rest(grouped, seed % lots, columns)
            if contrast is not None:
                tested[at] += 1
                rejected[at] += contrast.p_value()[0] < 0.05
    assert (tested > 0.9 * fleets).all()
    assert all(consistent(count, total, 0.04, 0.06) for count, total in zip(rejected, tested)), rejected / tested


@pytest.mark.slow
def test_a_comparison_that_takes_every_reading_as_one_piece_of_evidence_fails_the_same_study(study_size) -> None:
    """The two-sample t test of all readings: twelve of one sensor, on one cylinder, are not twelve sensors."""
    fleets = max(study_size(1000), FEWEST_FLEETS)
    p_values = []
    for seed in range(fleets):
        fleet = unbalanced_fleet(1000 + seed, 30, 12, 4)
        own = np.repeat(fleet.lot == fleet.lot[seed % 30], 12)
        p_values.append(stats.ttest_ind(fleet.y[own], fleet.y[~own]).pvalue)
    rejected = int((np.array(p_values) < 0.05).sum())
    assert not consistent(rejected, fleets, 0.04, 0.06), rejected / fleets
