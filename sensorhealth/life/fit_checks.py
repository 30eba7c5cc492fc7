"""Does a life distribution fit? Residuals and probability plots, as tables to draw or read."""

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

MANY, STEPS = 2_000, 200  # lives from which on ages are told in steps, and how many of these


def survival_steps(data: LifeData) -> pd.DataFrame:
    """Survival without a shape, by Kaplan-Meier where deaths are exact, else by Turnbull.

    One row per step: since and age (in the data's unit; the step lies between them, at `age` where they are equal) and
    survival after it. Of more than 2 000 lives ages are rounded to a 200th of the last, so that large fleets can be counted.
    """
    data = _on_steps(data)
    if (data.died & (data.lower < data.upper)).any():
        table = turnbull(data, tolerance=1e-7)
        steps = table[np.isfinite(table["upper"])].rename(columns={"lower": "since", "upper": "age"})
    else:
        steps = kaplan_meier(data)
        steps = steps.assign(since=steps["age"])
    return steps[["since", "age", "survival"]].reset_index(drop=True)


def _on_steps(data: LifeData) -> LifeData:
    """The same lives with their ages on a grid, where they are many; `turnbull` counts equal ones together."""
    if data.lower.size <= MANY:
        return data
    last = float(np.where(data.died, data.upper, data.lower).max())
    step = last / STEPS if last > 0 else 1.0
    entry, low, high = (np.round(ages / step) * step for ages in (data.entry, data.lower, data.upper))
    low = np.where(data.died, np.maximum(np.minimum(low, high - step), 0.0), low)  # no end is put off to after the next test
    ends = np.where(data.died, np.maximum(high, step), np.inf)
    return LifeData(np.minimum(entry, low), low, ends, data.weight)


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
    steps = survival_steps(in_model_time).rename(columns={"age": "residual"})[["residual", "survival"]]
    return steps.assign(expected=np.exp(-steps["residual"]))


def probability_plot(data: LifeData, family: LifeFamily) -> pd.DataFrame:
    """Points of a probability plot, on the paper where this family is a straight line.

    Returns age, probability, x, y. Positions are Benard's (i - 0.3) / (n + 0.4) with Johnson's adjusted ranks i where
    deaths are exact and every life is seen from its start; else the middles of the steps of the survival curve, at the
    middles of the ages between which they lie.
    Source: NIST/SEMATECH e-Handbook 8.2.2.1; Johnson (1964); Meeker and Escobar (1998), section 6.4.
    """
    simple = (data.entry == 0).all() and not (data.died & (data.lower < data.upper)).any()
    if simple:
        age, probability = _adjusted_ranks(data)
    else:
        steps = survival_steps(data)
        before = np.concatenate([[1.0], steps["survival"].to_numpy()[:-1]])
        age = 0.5 * (steps["since"] + steps["age"]).to_numpy()
        probability = 1.0 - 0.5 * (before + steps["survival"].to_numpy())
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
