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


def gas_by_row(readings: pd.DataFrame, residuals: pd.DataFrame) -> pd.Series:
    """The same by row of the calibrations (column `row` of the readings)."""
    return gas_in(residuals).reindex(readings.index).set_axis(readings["row"])


def told_by_readings(readings: pd.DataFrame, limit: float, gas: NDArray[np.float64] | float = 0.0) -> pd.DataFrame:
    """What the readings say of each life, indexed by life_id: last_good (last one above the limit), first_low (first of those
    at or below it with none above after it), lows (how many of those), misread (read low, but never net of the gas after that).

    limit: ln headroom ratio of the end. gas: effect of the gas in each log ratio, as far as it is known.
    """
    low, as_read = (reads_low(readings["log_ratio"] - effect, readings["censoring"], limit) for effect in (gas, 0.0))
    last_good = readings["time"][~low].groupby(readings["life_id"]).max()
    after = last_good.reindex(readings["life_id"]).to_numpy()
    trailing = readings[low & ~(readings["time"].to_numpy() < after)].groupby("life_id")["time"]
    table = pd.DataFrame({"last_good": last_good, "first_low": trailing.min(), "lows": trailing.size()})
    misread = table.index.isin(readings["life_id"][as_read]) & table["first_low"].isna().to_numpy()
    return table.assign(lows=table["lows"].fillna(0).astype(int), misread=misread)


def soft_ends(lives: pd.DataFrame, readings: pd.DataFrame, limit: float, gas: NDArray[np.float64] | float = 0.0) -> pd.DataFrame:
    """The lives with their soft ends told as life data takes deaths: between the last reading above the limit and the first of
    those below it, or the removal as worn; every other life goes on to its last reading or its end.

    gas: (N,) effect of the gas in each log ratio. A sensor that only read low because its gas was weak had not come to its end,
    though it may have been removed for it.
    """
    net = readings["log_ratio"] - gas
    missing = readings["censoring"] < 0
    ids = pd.Index(lives["life_id"])
    said = told_by_readings(readings, limit, gas).reindex(ids)
    seen = {name: pd.to_datetime(said[name]).to_numpy() for name in ("last_good", "first_low")}
    known = lives.assign(**seen, ended=pd.to_datetime(lives["ended"]))
    misread = said["misread"].eq(True).to_numpy()
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
