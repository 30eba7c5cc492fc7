"""Multiple testing: how many of the flags that go up may be false.

By p-values: Benjamini and Hochberg (1995), J. R. Stat. Soc. B 57, 289-300. By posterior probabilities: the Bayesian
false-discovery rate of Newton, Noueiry, Sarkar and Ahlquist (2004), Biostatistics 5, 155-176: flag the most probable
first, as long as the mean probability of being wrong among those flagged stays within the rate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def critical_p(p_values: FloatArray, rate: float) -> float:
    """Benjamini-Hochberg: the bound under which p-values are rejected at false-discovery rate `rate`.

    rate x (number rejected) / (number tested); -1 where none is rejected.
    """
    from statsmodels.stats.multitest import multipletests

    if not len(p_values):
        return -1.0
    rejected = int(multipletests(p_values, alpha=rate, method="fdr_bh")[0].sum())
    return rate * rejected / len(p_values) if rejected else -1.0


def flag_by_posterior(probability: FloatArray, rate: float, least: float = 0.5) -> NDArray[np.bool_]:
    """Flag the most probable hypotheses so that the expected share of false flags is at most `rate`.

    probability (n,): posterior probability of each; none below `least` is flagged however good the others are.
    """
    order = np.argsort(-probability, kind="stable")
    wrong = np.cumsum(1 - probability[order]) / np.arange(1, len(order) + 1)
    flagged = np.zeros(len(order), dtype=bool)
    flagged[order] = wrong <= rate
    return flagged & (probability >= least)
