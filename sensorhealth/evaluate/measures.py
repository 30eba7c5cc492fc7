"""The measures of a track record, from the rows of forecasts beside outcomes: long tables, one row per measure."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..nomenclature import columns
from .prognostics import prognostic_horizon
from .samples import ALPHA, HORIZONS
from .scores import Integrals, brier, censoring_weights, reliability_bins

Array = NDArray[np.float64]

LEVELS = (0.5, 0.8, 0.9)
ENOUGH_ENDS = 50  # with fewer ended lives a coverage would say more of chance than of the forecasts
BANDS = (0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0)
LIVED_ON_DAYS = 365.0  # a sensor that was swapped on a forecast although it would have lived longer was swapped too early

Row = dict[str, object]


def _row(measure: str, value: float, count: int, error: float = np.nan, horizon: float = np.nan, note: str = "") -> Row:
    return {
        "measure": measure, "value": value, "std_error": error, "count": count, "horizon_days": horizon, "note": note,
    }  # fmt: skip


def _mean_row(measure: str, values: Array, horizon: float = np.nan, note: str = "") -> Row:
    known = values[np.isfinite(values)]
    error = float(known.std(ddof=1) / np.sqrt(known.size)) if known.size > 1 else float("nan")
    return _row(measure, float(known.mean()) if known.size else float("nan"), known.size, error, horizon, note)


def end_measures(rows: pd.DataFrame, decision_days: float, risk: float) -> Iterator[Row]:
    """Measures of one forecaster's forecasts of ends (rows as from `samples.end_rows`)."""
    ended = rows["ended"].to_numpy(dtype=bool)
    yield _row("lives forecast", float(len(rows)), len(rows))
    yield _row("ended lives", float(ended.sum()), int(ended.sum()))
    yield from _coverage(rows, int(rows.loc[ended, "life_id"].nunique()))
    yield _mean_row("CRPS of remaining life (days)", rows["crps_days"].to_numpy(), note="up to the end of the records")
    middle = 0.5 * (rows["lower_days"] + rows["upper_days"]).to_numpy()[ended]
    late = rows["rul_days_p50"].to_numpy()[ended] - middle
    yield _mean_row("median less true remaining life (days)", late, note="ended lives only: those that live on are not in it")
    for days in HORIZONS:
        yield from _probability_measures(rows, days)
    mass = rows["alpha_mass"].to_numpy()[ended]
    within = f"within {ALPHA:.0%} of the true remaining life".replace("%", " %")
    yield _mean_row(f"probability {within}", mass, note="ended lives")
    yield _mean_row(f"lives with most probability {within}", np.where(np.isnan(mass), np.nan, mass >= 0.5))
    yield _horizon_measure(rows[ended])
    yield from _decisions(rows, decision_days, risk)


def _coverage(rows: pd.DataFrame, ended: int) -> Iterator[Row]:
    """Coverages; ended: how many lives ended, each counted once, as forecasts of one life from several dates err together."""
    integrals = Integrals(rows["pit_low"].to_numpy(), rows["pit_high"].to_numpy())
    few = f"not enough ended lives to judge ({ended}; about {ENOUGH_ENDS} are needed)" if ended < ENOUGH_ENDS else ""
    for level in LEVELS:
        value = float("nan") if few else integrals.coverage(level)
        error = float(np.sqrt(level * (1 - level) / ended)) if ended and not few else float("nan")
        yield _row(f"coverage of the {level:.0%} interval of remaining life".replace("%", " %"), value, ended, error, note=few)
    value = float("nan") if few else integrals.below_median()
    error = float(0.5 / np.sqrt(ended)) if ended and not few else float("nan")
    yield _row("share of lives ending before the median", value, ended, error, note=few)


def _followed(rows: pd.DataFrame, days: float) -> tuple[pd.DataFrame, Array]:
    """Rows of dates after which the records go on for that long, and weights for those lost before it."""
    rows = rows[rows["follow_up_days"] >= days]
    ended, lower = rows["ended"].to_numpy(dtype=bool), rows["lower_days"].to_numpy()
    # daily functional tests would have shown a dead sensor, so that one in service at the horizon counts as alive there
    alive_until = np.where(rows["still_running"], np.maximum(lower, days), lower)
    seen = np.where(ended, rows["upper_days"].to_numpy(), alive_until)
    return rows, censoring_weights(seen, ended, days)


def _probability_measures(rows: pd.DataFrame, days: int) -> Iterator[Row]:
    rows, weight = _followed(rows, days)
    chance, happened = rows[f"p_seen_{days}d"].to_numpy(), rows[f"ended_{days}d"].to_numpy(dtype=float)
    used = int((weight > 0).sum())
    if used:
        missed = weight * (chance - happened) ** 2
        error = float(missed.std() / weight.mean() / np.sqrt(used))
        yield _row("Brier score", brier(chance, happened, weight), used, error, days)
        yield _row("ends expected", float(chance @ weight), used, float(np.sqrt((chance * (1 - chance)) @ weight)), days)
        yield _row("ends that came", float(happened @ weight), used, horizon=days)


def _horizon_measure(ended: pd.DataFrame) -> Row:
    """Median remaining life from which on all later medians were within 20 % of the life, over lives with two dates or more."""
    found = []
    for _, life in ended.sort_values("as_of").groupby("sensor_id"):
        if len(life) > 1:
            true = 0.5 * (life["lower_days"] + life["upper_days"]).to_numpy()
            whole = float(true[-1] + life["age_days"].iloc[-1])
            found.append(prognostic_horizon(true, life["rul_days_p50"], ALPHA * whole))
    found = list(np.nan_to_num(found))
    value = float(np.median(found)) if found else float("nan")
    note = "0: never; within 20 % of the age at the end; lives forecast on two dates or more"
    return _row("prognostic horizon, median (days)", value, len(found), note=note)


def _decisions(rows: pd.DataFrame, decision_days: float, risk: float) -> Iterator[Row]:
    """What a user would have got who swapped every sensor whose chance of ending before it can be swapped exceeds the risk."""
    rows, weight = _followed(rows, decision_days)
    happened = rows["ended_decision"].to_numpy(dtype=float)
    advised = rows["p_end_decision"].to_numpy() > risk
    note = f"swap where the chance of ending within {decision_days:.0f} days exceeds {risk:g}"
    alive_later = (rows["lower_days"] >= decision_days + LIVED_ON_DAYS).to_numpy()
    for measure, share in (
        ("swaps advised", advised.astype(float)),
        ("swaps advised, ended in time", advised * happened),
        ("swaps advised, lived a year longer", (advised & alive_later).astype(float)),
        ("ends missed", ~advised * happened),
    ):
        used = weight if "year" not in measure else np.ones(len(rows))
        yield _row(measure, float(share @ used), len(rows), horizon=decision_days, note=note)


def reading_measures(rows: pd.DataFrame) -> Iterator[Row]:
    """Measures of one forecaster's forecasts of next readings (rows as from `samples.reading_rows`), in ln headroom ratio."""
    error = rows["error"].to_numpy()
    yield _mean_row("next reading: mean absolute error (ln ratio)", np.abs(error))
    yield _mean_row("next reading: bias, reading less forecast (ln ratio)", error)
    yield _mean_row("next reading: CRPS (ln ratio)", rows["crps"].to_numpy())
    integrals = Integrals(rows["pit_low"].to_numpy(), rows["pit_high"].to_numpy())
    for level in LEVELS:
        spread = float(np.sqrt(level * (1 - level) / max(len(rows), 1)))
        name = f"next reading: coverage of the {level:.0%} interval".replace("%", " %")
        yield _row(name, integrals.coverage(level), len(rows), spread)


def table(ends: pd.DataFrame, readings: pd.DataFrame, decision_days: float, risk: float) -> pd.DataFrame:
    """The table `track_record` of the nomenclature: all dates together first (as_of empty), then date by date."""
    blocks: list[Row] = []
    dates = [pd.NaT, *sorted(set(ends["as_of"]) | set(readings["as_of"]))]
    names = list(dict.fromkeys([*ends["forecaster"], *readings["forecaster"]]))
    for date in dates:
        for name in names:
            mine = [
                frame[(frame["forecaster"] == name) & (pd.isna(date) | (frame["as_of"] == date))] for frame in (ends, readings)
            ]
            found = [*(end_measures(mine[0], decision_days, risk) if len(mine[0]) else ())]
            found += reading_measures(mine[1]) if len(mine[1]) else ()
            blocks += [{"as_of": date, "forecaster": name, **row} for row in found]
    frame = pd.DataFrame(blocks, columns=list(columns("track_record")))
    frame["as_of"] = pd.to_datetime(frame["as_of"])
    return frame


def reliability(ends: pd.DataFrame) -> pd.DataFrame:
    """Forecast probabilities beside what came: forecaster, horizon_days, forecast (mean), happened (share), count, std_error."""
    blocks = []
    for name, rows in ends.groupby("forecaster", sort=False):
        for days in HORIZONS:
            followed, weight = _followed(rows, days)
            known = followed[weight > 0]
            chance, happened = known[f"p_seen_{days}d"].to_numpy(), known[f"ended_{days}d"].to_numpy(dtype=float)
            mean, share, count = reliability_bins(chance, happened, BANDS)
            block = pd.DataFrame({"forecast": mean, "happened": share, "count": count.astype(int)})
            with np.errstate(invalid="ignore", divide="ignore"):
                block["std_error"] = np.sqrt(mean * (1 - mean) / count)
            blocks.append(block[block["count"] > 0].assign(forecaster=name, horizon_days=days))
    order = ["forecaster", "horizon_days", "forecast", "happened", "count", "std_error"]
    return pd.concat(blocks, ignore_index=True)[order] if blocks else pd.DataFrame(columns=order)
