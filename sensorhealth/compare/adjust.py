"""p values of many comparisons at once."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

METHODS = {"fdr": "fdr_bh", "holm": "holm"}
"""fdr: Benjamini and Hochberg (1995), J. R. Stat. Soc. B 57:289-300. holm: Holm (1979), Scand. J. Statist. 6:65-70."""


def adjusted(p_values: FloatArray, method: str = "fdr") -> FloatArray:
    """Adjusted p values (k,); NaN (no comparison) stays NaN and does not count. method: fdr or holm."""
    from statsmodels.stats.multitest import multipletests

    if method not in METHODS:
        raise ValueError(f"method {method!r}; expected one of {', '.join(METHODS)}")
    out = np.full(p_values.shape, np.nan)
    known = np.isfinite(p_values)
    if known.any():
        out[known] = multipletests(p_values[known], method=METHODS[method])[1]
    return out
