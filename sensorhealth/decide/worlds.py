"""From the fitted models to what the decisions need beside the forecast: new sensors' lives, and possible worlds.

A world is one draw of all that the sensors share: the ageing model's fixed effects, lots, cylinders and variances,
and the hazards of sudden ends. Given a world the sensors are independent; over a fleet, counts are mixed over worlds.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sensorhealth.degradation import AgeingModel
    from sensorhealth.life import RemainingLife, SuddenLife

FloatArray = NDArray[np.float64]
_MOST_LIVES = 300  # lives of one kind that its new sensors are averaged over
DAYS_PER_YEAR = 365.25


def new_sensor_lives(
    ageing: AgeingModel,
    sudden: SuddenLife,
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    *,
    margin: float = 0.0,
    horizon_days: float = 3650.0,
) -> RemainingLife:
    """Life distributions of new sensors, one row per kind (life_id = "technology gas"), as the fleet's own lives tell.

    ageing, sudden: fitted. lives: all lives that `ageing` was fitted on, ended ones as well. Each life's path is
    followed from its birth with all that its readings say about it, and the kind's new sensors are the mean of its
    lives (300 at most): the posterior of the population that they come from. Sudden ends begin at age nought.
    """
    from sensorhealth.life import RemainingLife, remaining_life

    chosen = pd.concat([_spread(part) for _, part in lives.groupby("stratum", sort=True)], ignore_index=True)
    newborn = chosen.assign(installed=pd.Timestamp(as_of))
    paths = ageing.path_posterior(chosen, np.zeros(len(chosen)))
    each = remaining_life(paths, sudden, newborn, as_of, margin=margin, horizon_days=horizon_days)
    kinds, code = np.unique(chosen["stratum"].to_numpy(dtype=str), return_inverse=True)
    weight = (code[None, :] == np.arange(kinds.size)[:, None]).astype(float)
    weight /= weight.sum(axis=1, keepdims=True)
    return RemainingLife(kinds.astype(object), each.as_of, each.grid_days, weight @ each.soft, weight @ each.sudden)


def _spread(part: pd.DataFrame) -> pd.DataFrame:
    """At most 300 rows, evenly spread."""
    if len(part) <= _MOST_LIVES:
        return part
    return part.iloc[np.linspace(0, len(part) - 1, _MOST_LIVES).round().astype(int)]


def possible_worlds(
    ageing: AgeingModel,
    sudden: SuddenLife,
    lives: pd.DataFrame,
    as_of: pd.Timestamp,
    count: int,
    rng: np.random.Generator,
    *,
    margin: float = 0.0,
    until_days: float = 1500.0,
    step_days: float = 30.0,
) -> Iterator[RemainingLife]:
    """`count` tables of life distributions, each given one draw of what the sensors share, for `budget(shared_draws=...)`.

    lives: the lives of the forecast, in its order. until_days, step_days: how far and how finely; the budget's months
    and a year of notice must fit in. The worlds are made one at a time, to spare memory.
    """
    from sensorhealth.life import remaining_life

    as_of = pd.Timestamp(as_of)
    age = (as_of - lives["installed"]).dt.total_seconds().to_numpy(dtype=float) / (86_400.0 * DAYS_PER_YEAR)
    drawn = ageing.shared_draws(lives, age, count, rng)
    hazards = sudden.draws(count, rng)
    grid = np.arange(0.0, until_days + step_days, step_days)
    for number in range(count):
        paths = [stratum[number] for stratum in drawn]
        yield remaining_life(paths, hazards[number], lives, as_of, margin=margin, horizon_days=grid[-1], grid=grid)
