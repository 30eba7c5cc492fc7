"""The paths that evidence sheets show: past as estimated, future as forecast."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

import numpy as np
import pandas as pd

from sensorhealth.decide.situation import Situation

DAYS_PER_YEAR = 365.25
_POINTS = 60
_AHEAD = np.timedelta64(180, "D")  # shown beyond the as-of date, or the end of the warranty where that is later


class Ageing(Protocol):
    """What is needed of a fitted ageing model; `sensorhealth.degradation.AgeingModel` is one."""

    def predict(self, life_ids: Any, age_years: Any) -> pd.DataFrame:
        """Latent paths: age_years, mean (ln headroom ratio), sd_latent, in the order asked for."""


def sensor_paths(ageing: Ageing, lives: pd.DataFrame, facts: Situation, sensor_ids: Sequence[str]) -> pd.DataFrame:
    """sensor_id, time, mean, sd_latent (ln headroom ratio) of the lives that sensors are in, from installation on.

    lives: sensor_id, life_id, installed, current. The path goes on beyond the end of the warranty. A sensor without a
    current life with a known start, or of a kind that no path was fitted to, has no rows.
    """
    now = lives[lives["current"].astype(bool) & lives["installed"].notna() & lives["sensor_id"].isin(sensor_ids)]
    start = now["installed"].to_numpy(dtype="datetime64[s]")
    covered = facts.warranty_end[pd.Index(facts.sensor_id).get_indexer(pd.Index(now["sensor_id"]))]
    last = np.fmax(covered, facts.as_of) + _AHEAD
    days = np.maximum((last - start) / np.timedelta64(1, "D"), 1.0)[:, None] * np.linspace(0.0, 1.0, _POINTS)
    found = ageing.predict(list(np.repeat(now["life_id"].to_numpy(), _POINTS)), days.ravel() / DAYS_PER_YEAR)
    when = np.repeat(start, _POINTS) + np.round(days.ravel() * 86_400.0).astype("timedelta64[s]")
    table = pd.DataFrame({"sensor_id": np.repeat(now["sensor_id"].to_numpy(), _POINTS), "time": when})
    return table.iloc[found.index].assign(mean=found["mean"], sd_latent=found["sd_latent"])
