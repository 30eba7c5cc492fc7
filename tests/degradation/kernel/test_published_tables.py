"""Published mixed-model tables and exact closed forms for balanced data.

Sources beside each check. `exact` values are the closed forms for balanced designs (analysis of variance), which agree
with lme4 1.1-31 run to its tightest stopping rule.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth.degradation.reml import CrossedClass, CrossedData, VarianceParameters, deviance, fit


def arrange(
    table: pd.DataFrame,
    y: str,
    sensor: str | None,
    g: str | None = None,
    random: str = "intercept",
    crossed: Sequence[str] = (),
    x: Callable[[pd.DataFrame], np.ndarray] = lambda t: np.ones((len(t), 1)),
) -> CrossedData:
    codes = pd.factorize(table[sensor])[0] if sensor else np.zeros(len(table), dtype=np.int64)
    time = table[g].to_numpy(float) if g else np.zeros(len(table))
    order = np.lexsort((time, codes))
    table, codes, time = table.iloc[order], codes[order], time[order]
    offsets = np.concatenate(([0], np.cumsum(np.bincount(codes)))).astype(np.int64)
    classes = tuple(CrossedClass(c, pd.factorize(table[c])[0].astype(np.int64), None, table[c].nunique()) for c in crossed)
    return CrossedData(table[y].to_numpy(float), x(table), offsets, time, None, classes, random)  # type: ignore[arg-type]


def line(column: str) -> Callable[[pd.DataFrame], np.ndarray]:
    return lambda t: np.column_stack((np.ones(len(t)), t[column].to_numpy(float)))


def test_sleepstudy(published: Path) -> None:
    """Belenky et al. (2003); Bates et al. (2015) print 251.405, 10.467, 24.74, 5.92, 25.59, 1743.6."""
    data = arrange(pd.read_csv(published / "sleepstudy.csv"), "Reaction", "Subject", "Days", "intercept+slope", x=line("Days"))
    found = fit(data)
    assert found.converged
    np.testing.assert_allclose(found.beta, [251.405104848485, 10.467285959596], rtol=1e-10)
    np.testing.assert_allclose(np.sqrt(np.diag(found.beta_covariance)), [6.824556532069, 1.545788896295], rtol=1e-6)
    assert found.parameters.residual == pytest.approx(654.9410270723, rel=1e-6)
    expected = [[612.089938662524, 9.604333316744], [9.604333316744, 35.071660498317]]
    np.testing.assert_allclose(found.parameters.sensor, expected, rtol=1e-5)
    assert found.deviance == pytest.approx(1743.628271958, abs=2e-9)
    blups = pd.read_csv(published / "sleepstudy_blups_reml_exact.csv")
    np.testing.assert_allclose(found.sensor_effects, blups[["b0", "b1"]], rtol=1e-5, atol=1e-5)


def test_sleepstudy_by_maximum_likelihood(published: Path) -> None:
    """MixedModels.jl's tests print objective 1751.9393445; exact closed form."""
    data = arrange(pd.read_csv(published / "sleepstudy.csv"), "Reaction", "Subject", "Days", "intercept+slope", x=line("Days"))
    found = fit(data, method="ML")
    assert found.deviance == pytest.approx(1751.939344463, abs=2e-9)
    expected = [[565.515366803, 11.055429023], [11.055429023, 32.682197186]]
    np.testing.assert_allclose(found.parameters.sensor, expected, rtol=1e-5)


@pytest.mark.parametrize("sensor, crossed", [(None, ("plate", "sample")), ("plate", ("sample",)), ("sample", ("plate",))])
def test_penicillin_crossed_effects_by_any_road(published: Path, sensor: str | None, crossed: tuple[str, ...]) -> None:
    """Davies and Goldsmith (1972); Metida.jl's tests print 330.86058899; exact analysis of variance."""
    table = pd.read_csv(published / "penicillin.csv")
    found = fit(arrange(table, "diameter", sensor, None, "intercept" if sensor else "none", crossed))
    assert found.deviance == pytest.approx(330.860588990, abs=2e-8)
    assert found.beta[0] == pytest.approx(22.97222222222, rel=1e-10)
    assert np.sqrt(found.beta_covariance[0, 0]) == pytest.approx(0.808573390985, rel=1e-6)
    variances = {**found.parameters.crossed, sensor: found.parameters.sensor[0, 0]}
    assert variances["plate"] == pytest.approx(0.716908212560386, rel=1e-6)
    assert variances["sample"] == pytest.approx(3.7309178743961, rel=1e-6)
    assert found.parameters.residual == pytest.approx(0.30241545893720, rel=1e-8)
    if "sample" in crossed:
        samples = [2.187058, -1.010476, 1.937899, -0.096895, -0.013842, -3.003744]
        np.testing.assert_allclose(np.sort(found.crossed["sample"][0]), np.sort(samples), atol=2e-6)


def test_pastes_nested_effects(published: Path) -> None:
    """Davies and Goldsmith (1972); Metida.jl prints 246.99074585; exact analysis of variance."""
    found = fit(arrange(pd.read_csv(published / "pastes.csv"), "strength", "sample", crossed=("batch",)))
    assert found.deviance == pytest.approx(246.99074585, abs=1e-8)
    assert found.parameters.sensor[0, 0] == pytest.approx(8.433666666667, rel=1e-6)
    assert found.parameters.crossed["batch"] == pytest.approx(1.657308641975, rel=1e-6)
    assert found.parameters.residual == pytest.approx(0.678, rel=1e-8)
    assert np.sqrt(found.beta_covariance[0, 0]) == pytest.approx(0.676870066128, rel=1e-6)
    batches = [0.800644276, -0.272508443, 0.722267954, -0.127813695, -1.502413807]
    batches += [0.354502134, -0.055466320, 1.108120617, -0.495579514, -0.531753201]
    np.testing.assert_allclose(found.crossed["batch"][0], batches, atol=1e-6)


def test_dyestuff(published: Path) -> None:
    """Davies and Goldsmith (1972); exact analysis of variance."""
    data = arrange(pd.read_csv(published / "dyestuff.csv"), "Yield", "Batch")
    found = fit(data)
    assert found.deviance == pytest.approx(319.654276842, abs=1e-8)
    assert found.beta[0] == pytest.approx(1527.5)
    assert np.sqrt(found.beta_covariance[0, 0]) == pytest.approx(19.383412, rel=2e-6)
    assert found.parameters.sensor[0, 0] == pytest.approx(1764.05, rel=1e-5)
    assert found.parameters.residual == pytest.approx(2451.25, rel=1e-6)
    batches = [-17.60685, 0.39126, 28.56223, -23.08454, 56.73319, -44.99529]
    np.testing.assert_allclose(found.sensor_effects[:, 0], batches, atol=1e-4)
    by_ml = fit(data, method="ML")
    assert by_ml.deviance == pytest.approx(327.327060, abs=1e-6)
    assert by_ml.parameters.sensor[0, 0] == pytest.approx(1388.3333, rel=1e-5)


@pytest.mark.parametrize("as_sensor", [True, False])
def test_dyestuff2_ends_at_zero_variance(published: Path, as_sensor: bool) -> None:
    """Box and Tiao (1973) by way of lme4: batch variance 0, residual 13.806310."""
    table = pd.read_csv(published / "dyestuff2.csv")
    found = fit(arrange(table, "Yield", "Batch") if as_sensor else arrange(table, "Yield", None, None, "none", ("Batch",)))
    assert found.converged
    batch = found.parameters.sensor[0, 0] if as_sensor else found.parameters.crossed["Batch"]
    assert batch == pytest.approx(0.0, abs=1e-9)
    assert found.parameters.residual == pytest.approx(13.806310, abs=5e-7)


def test_orthodont(published: Path) -> None:
    """Pinheiro and Bates (2000) print 2.327, 0.2264, -0.609, 1.310, -221.32; exact closed form."""
    table = pd.read_csv(published / "orthodont.csv")
    found = fit(arrange(table, "distance", "Subject", "age", "intercept+slope", x=line("age")))
    np.testing.assert_allclose(found.beta, [16.761111111111, 0.660185185185], rtol=1e-9)
    np.testing.assert_allclose(np.sqrt(np.diag(found.beta_covariance)), [0.775246185204, 0.071253270771], rtol=1e-6)
    expected = [[5.415096153846, -0.321061253561], [-0.321061253561, 0.051269586895]]
    np.testing.assert_allclose(found.parameters.sensor, expected, rtol=5e-6)
    assert found.deviance == pytest.approx(2 * 221.318342942, abs=2e-9)
    by_sex = fit(
        arrange(
            table, "distance", "Subject", "age",
            x=lambda t: np.column_stack((np.ones(len(t)), t["age"].to_numpy(float), t["Sex"] == "Female")),
        )
    )  # fmt: skip
    assert by_sex.deviance == pytest.approx(2 * 218.756254, abs=2e-6)
    np.testing.assert_allclose(by_sex.beta, [17.70671296, 0.66018519, -2.32102273], rtol=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(by_sex.beta_covariance)), [0.83392247, 0.06160592, 0.76141685], rtol=1e-6)
    sds = np.sqrt([by_sex.parameters.sensor[0, 0], by_sex.parameters.residual])
    np.testing.assert_allclose(sds, [1.8074246, 1.4315921], rtol=1e-6)


def test_rail(published: Path) -> None:
    """Pinheiro and Bates (2000) print 24.805, 4.0208; lme4 1.1-31."""
    found = fit(arrange(pd.read_csv(published / "rail.csv"), "travel", "Rail"))
    assert found.deviance == pytest.approx(2 * 61.0885, abs=1e-3)
    assert np.sqrt(found.beta_covariance[0, 0]) == pytest.approx(10.1710373, rel=1e-6)
    assert np.sqrt(found.parameters.sensor[0, 0]) == pytest.approx(24.8054653, rel=1e-6)
    assert np.sqrt(found.parameters.residual) == pytest.approx(4.0207794, rel=1e-6)
    rails = [-34.53091, -16.35675, -12.39148, 16.02631, 18.00894, 29.24388]
    np.testing.assert_allclose(np.sort(found.sensor_effects[:, 0]), rails, atol=1e-4)


def lasers(references: Path, *, after_start: bool) -> pd.DataFrame:
    table = pd.read_csv(references / "gaas_laser.csv")
    table["kilohours"] = table["hours"] / 1000
    return table[table["hours"] > 0] if after_start else table


def test_lasers_with_a_line_each(references: Path) -> None:
    """Meeker and Escobar (1998), Table C.17; exact closed form for balanced data."""
    table = lasers(references, after_start=False)
    data = arrange(table, "increase", "unit", "kilohours", "intercept+slope", x=line("kilohours"))
    found = fit(data)
    np.testing.assert_allclose(np.sqrt(np.diag(found.beta_covariance)), [0.04642457818, 0.124176451809], rtol=1e-6)
    assert found.parameters.residual == pytest.approx(0.0328486226, rel=1e-6)
    expected = [[0.025243624853, -0.027050900786], [-0.027050900786, 0.23000868648]]
    np.testing.assert_allclose(found.parameters.sensor, expected, rtol=1e-5)
    assert found.deviance == pytest.approx(-2 * 12.189008460, abs=4e-9)
    assert fit(data, method="ML").deviance == pytest.approx(-2 * 15.604437615, abs=4e-9)


def through_origin(table: pd.DataFrame) -> CrossedData:
    return arrange(table, "increase", "unit", "kilohours", "slope", x=lambda t: t[["kilohours"]].to_numpy(float))


def test_lasers_through_the_origin(references: Path) -> None:
    """Meeker and Escobar (1998), Table C.17; exact closed form, slope 2.0466522638 by lme4 as well."""
    data = through_origin(lasers(references, after_start=True))
    found = fit(data)
    assert found.beta[0] == pytest.approx(2.046652263815, rel=1e-10)
    assert np.sqrt(found.beta_covariance[0, 0]) == pytest.approx(0.119450024763, rel=1e-6)
    assert found.parameters.residual == pytest.approx(0.042202798818, rel=1e-7)
    assert found.parameters.sensor[1, 1] == pytest.approx(0.213573259405, rel=1e-6)
    assert found.deviance == pytest.approx(15.261325965, abs=2e-9)
    assert fit(data, method="ML").parameters.sensor[1, 1] == pytest.approx(0.199304950990, rel=1e-6)


def test_lasers_as_wiener_paths_with_random_drift(references: Path) -> None:
    """Random-drift Wiener by ML: mean 2.0379067, kappa 0.4177424, sigma 0.3415262, log-likelihood 69.071793 (computed).

    Those values are for readings without noise; a residual that vanishes gives them, and estimating it can only raise
    the likelihood.
    """
    data = through_origin(lasers(references, after_start=True))
    plain = VarianceParameters(1e-9, np.diag([0.0, 0.4177424**2]), {}, 0.3415262**2)
    assert deviance(data, plain, "ML") == pytest.approx(-2 * 69.071793, abs=1e-5)
    higher = replace(plain, brownian=0.36**2), replace(plain, sensor=np.diag([0.0, 0.45**2]))
    assert all(deviance(data, other, "ML") > -2 * 69.071793 for other in higher)
    found = fit(data, method="ML", brownian=True)
    assert found.converged
    assert found.deviance < -2 * 69.071793
    assert found.parameters.brownian == pytest.approx(0.3415262**2, rel=0.1)
