"""Multiple testing against published p-values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from sensorhealth.health.false_discovery import critical_p, flag_by_posterior


def test_benjamini_and_hochbergs_fifteen_p_values(published: Path) -> None:
    """Benjamini and Hochberg (1995), section 4.1: at 0.05 the procedure rejects four, Bonferroni three."""
    table = pd.read_csv(published / "bh1995_pvalues.csv")
    p = table["p"].to_numpy()
    bound = critical_p(p, 0.05)
    assert (p <= bound).sum() == 4 and bound == pytest.approx(0.05 * 4 / 15)
    assert (p <= 0.05 / 15).sum() == 3
    np.testing.assert_allclose(multipletests(p, method="fdr_bh")[1], table["bh_adjusted"], rtol=1e-6)
    np.testing.assert_allclose(multipletests(p, method="fdr_by")[1], table["by_adjusted"], rtol=1e-5)


def test_nothing_to_reject() -> None:
    assert critical_p(np.array([0.4, 0.9]), 0.05) == -1.0
    assert critical_p(np.zeros(0), 0.05) == -1.0


def test_expected_share_of_false_flags_stays_within_the_rate() -> None:
    probability = np.array([0.99, 0.2, 0.97, 0.80, 0.93, 0.6])
    flagged = flag_by_posterior(probability, 0.05)
    assert flagged.tolist() == [True, False, True, False, True, False]
    assert (1 - probability[flagged]).mean() <= 0.05


def test_no_flag_goes_up_on_the_strength_of_others() -> None:
    probability = np.r_[np.ones(100), 0.4]
    assert flag_by_posterior(probability, 0.05).sum() == 100


@pytest.mark.parametrize("rate", [0.01, 0.05, 0.2])
def test_realised_share_of_false_flags_when_probabilities_are_right(rate: float) -> None:
    rng = np.random.default_rng(1)
    probability = rng.beta(0.3, 0.6, 200_000)
    true = rng.random(200_000) < probability
    flagged = flag_by_posterior(probability, rate, least=0.0)
    assert (~true[flagged]).mean() == pytest.approx(rate, rel=0.1)
