"""When sensors of one kind wore out, told as life data: by their readings, or by their removal."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..health.headroom import reads_low
from ..technologies import flat_technologies

DEAD = float(np.log(2.0))  # ln ratio below the limit from which a low reading speaks of a sudden end and not of a steep path


def gas_in(residuals: pd.DataFrame) -> pd.Series:
    """Effect (N,) of the gas and of the session in each log ratio, nought where it could not be told (residuals: of the
    ageing model)."""
    return (residuals["gas_effect"] + residuals["session_effect"]).fillna(0.0).astype(float)


def soft_ends(lives: pd.DataFrame, readings: pd.DataFrame, limit: float, gas: NDArray[np.float64] | float = 0.0) -> pd.DataFrame:
    """The lives with their soft ends told as life data takes deaths: between the last reading above the limit and the first of
    those below it, or the removal as worn; every other life goes on to its last reading or its end.

    gas: (N,) effect of the gas in each log ratio. A sensor that only read low because its gas was weak had not come to its end,
    though it may have been removed for it.
    """
    net = readings["log_ratio"] - gas
    missing = readings["censoring"] < 0
    low = reads_low(net, readings["censoring"], limit)
    good = readings["time"][~low].groupby(readings["life_id"]).max()
    after = ~(readings["time"].to_numpy() < good.reindex(readings["life_id"]).to_numpy())
    first_low = readings["time"][low & after].groupby(readings["life_id"]).min()
    ids = pd.Index(lives["life_id"])
    seen = {
        name: pd.to_datetime(times.reindex(ids)).to_numpy() for name, times in (("last_good", good), ("first_low", first_low))
    }
    known = lives.assign(**seen, ended=pd.to_datetime(lives["ended"]))
    recorded_low = reads_low(readings["log_ratio"], readings["censoring"], limit)
    misread = ids.isin(readings["life_id"][recorded_low]) & known["first_low"].isna()
    dead = (known["end_kind"] == "sudden") & ids.isin(readings["life_id"][(net <= limit - DEAD) | missing])
    worn = (known["first_low"].notna() & ~dead) | ((known["end_kind"] == "soft") & ~misread)
    found = known["first_low"].fillna(known["ended"]).where(worn, known["ended"])
    alive = known["last_good"].fillna(known["entered"])
    alive = alive.where(~(alive > found), found)
    kind = known["end_kind"].mask(misread & (known["end_kind"] == "soft"), "censored")
    kind = kind.where(known["ended"].isna(), "censored").mask(worn, "sudden")
    told = known.assign(ended=found, end_kind=kind, last_alive=alive.where(worn, known["last_alive"]), last_test=found)
    return told.drop(columns=["last_good", "first_low"])


def wears_out(lives: pd.DataFrame) -> NDArray[np.bool_]:
    """Which lives (n,) are of a technology whose headroom leads to the end."""
    return ~lives["technology"].isin(flat_technologies()).to_numpy(dtype=bool)
