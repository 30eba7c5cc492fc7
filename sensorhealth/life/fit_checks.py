"""Does a life distribution fit? Residuals, probability integrals and probability plots, as tables to draw or read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .families import LifeFamily
from .lifedata import LifeData
from .nonparametric import kaplan_meier, turnbull

Array = NDArray[np.float64]


def survival_steps(data: LifeData) -> pd.DataFrame:
    """Survival without a shape: columns age and survival, by Kaplan-Meier where deaths are exact, else by Turnbull."""
    if (data.died & (data.lower < data.upper)).any():
        table = turnbull(data)
        return table[np.isfinite(table["upper"])].rename(columns={"upper": "age"})[["age", "survival"]]
    return kaplan_meier(data)[["age", "survival"]]


def cox_snell(data: LifeData, cumulative_hazard: Callable[[Array], Array]) -> pd.DataFrame:
    """Cox-Snell check: cumulative hazards of the lives under the model should be censored draws of an exponential of
    rate 1.

    cumulative_hazard: of the fitted model (ages in the data's unit). Returns residual (the age in model time),
    survival (without a shape) and expected = exp(-residual); the two agree where the model fits. Truncated and
    censored lives keep their censoring. Source: Cox and Snell (1968), J. R. Stat. Soc. B 30, 248-275; Klein and
    Moeschberger (2003), section 11.2.
    """
    in_model_time = replace(
        data,
        entry=cumulative_hazard(data.entry),
        lower=cumulative_hazard(data.lower),
        upper=np.where(data.died, cumulative_hazard(np.where(data.died, data.upper, 0.0)), np.inf),
    )
    steps = survival_steps(in_model_time).rename(columns={"age": "residual"})
    return steps.assign(expected=np.exp(-steps["residual"]))


def probability_integrals(data: LifeData, cumulative_hazard: Callable[[Array], Array]) -> pd.DataFrame:
    """Where each death falls in its forecast: low and high bound of F(age at death | alive at entry), uniform if the
    model fits.

    One row per life: low, high in 0..1, died. low = high for an exact death; a right-censored life has high = 1.
    """
    start = cumulative_hazard(data.entry)
    low = -np.expm1(start - cumulative_hazard(data.lower))
    ends = cumulative_hazard(np.where(data.died, data.upper, data.lower))
    high = np.where(data.died, -np.expm1(start - ends), 1.0)
    return pd.DataFrame({"low": low, "high": high, "died": data.died})


def probability_plot(data: LifeData, family: LifeFamily) -> pd.DataFrame:
    """Points of a probability plot, on the paper where this family is a straight line.

    Returns age, probability, x, y. Positions are Benard's (i - 0.3) / (n + 0.4) with Johnson's adjusted ranks i where
    deaths are exact and every life is seen from its start; else the middles of the steps of the survival curve.
    Source: NIST/SEMATECH e-Handbook 8.2.2.1; Johnson (1964); Meeker and Escobar (1998), section 6.4.
    """
    simple = (data.entry == 0).all() and not (data.died & (data.lower < data.upper)).any()
    if simple:
        age, probability = _adjusted_ranks(data)
    else:
        steps = survival_steps(data)
        before = np.concatenate([[1.0], steps["survival"].to_numpy()[:-1]])
        age, probability = steps["age"].to_numpy(), 1.0 - 0.5 * (before + steps["survival"].to_numpy())
    x, y = family.paper(age, -np.log1p(-probability))
    return pd.DataFrame({"age": age, "probability": probability, "x": x, "y": y})


def _adjusted_ranks(data: LifeData) -> tuple[Array, Array]:
    repeated = np.repeat(np.arange(data.lower.size), data.weight.astype(int))
    age, died = data.lower[repeated], data.died[repeated]
    order = np.lexsort((~died, age))
    age, died = age[order], died[order]
    n, rank, ranks = age.size, 0.0, []
    for position in np.flatnonzero(died):
        rank += (n + 1 - rank) / (n - position + 1)
        ranks.append(rank)
    return age[died], (np.array(ranks) - 0.3) / (n + 0.4)
