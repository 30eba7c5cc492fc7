"""Same criterion as statsmodels' MixedLM at its own estimates, and never above it at ours."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from sensorhealth.degradation.reml import CrossedClass, CrossedData, VarianceParameters, deviance, fit

mixed = pytest.importorskip("statsmodels.regression.mixed_linear_model")


@pytest.mark.parametrize("reml", [True, False])
def test_random_lines(published: Path, reml: bool) -> None:
    table = pd.read_csv(published / "sleepstudy.csv").sort_values(["Subject", "Days"], kind="stable")
    x = np.column_stack((np.ones(len(table)), table["Days"].to_numpy(float)))
    y = table["Reaction"].to_numpy()
    model = mixed.MixedLM(y, x, table["Subject"].to_numpy(), exog_re=x)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = model.fit(reml=reml)
    method = "REML" if reml else "ML"
    data = CrossedData(y, x, np.arange(19) * 10, table["Days"].to_numpy(float))
    found = fit(data, method=method)
    at_theirs = VarianceParameters(float(theirs.scale), np.asarray(theirs.cov_re))
    assert deviance(data, at_theirs, method) == pytest.approx(-2 * theirs.llf, abs=1e-6)
    assert found.deviance <= -2 * theirs.llf + 1e-6
    np.testing.assert_allclose(found.parameters.sensor, theirs.cov_re, rtol=2e-3, atol=0.05)
    np.testing.assert_allclose(found.beta, theirs.fe_params, rtol=1e-5)


def test_crossed_effects_as_variance_components(published: Path) -> None:
    table = pd.read_csv(published / "penicillin.csv")
    plate, sample = (pd.factorize(table[name])[0].astype(np.int64) for name in ("plate", "sample"))
    y = table["diameter"].to_numpy(float)
    one = np.ones((len(y), 1))
    parts = {"plate": {0: np.eye(24)[plate]}, "sample": {0: np.eye(6)[sample]}}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = mixed.MixedLM(y, one, np.zeros(len(y)), exog_vc=parts).fit()
    classes = (CrossedClass("plate", plate, None, 24), CrossedClass("sample", sample, None, 6))
    data = CrossedData(y, one, np.array([0, len(y)]), np.zeros(len(y)), None, classes, "none")
    crossed = dict(zip(("plate", "sample"), (float(v) for v in theirs.vcomp), strict=True))
    at_theirs = VarianceParameters(float(theirs.scale), np.zeros((2, 2)), crossed)
    assert deviance(data, at_theirs) == pytest.approx(-2 * theirs.llf, abs=1e-5)
    assert fit(data).deviance <= -2 * theirs.llf + 1e-6
