"""The comparison of lots (or suppliers, sites, models): one row for each in each kind of sensor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.compare.adjust import adjusted
from sensorhealth.compare.ageing import ageing_frame
from sensorhealth.compare.deaths import Hazards, compare_hazards
from sensorhealth.compare.rest import odd_groups
from sensorhealth.compare.source import Compared, codes, column_of, compare_source, sources
from sensorhealth.compare.words import confounding, verdict
from sensorhealth.compare.worth import SensorSpread, extra_cost, life_interval, mean_life
from sensorhealth.degradation import AgeingModel
from sensorhealth.nomenclature import columns
from sensorhealth.technologies import flat_technologies

FloatArray = NDArray[np.float64]

YEAR = 365.25
LEVEL = 0.90
"""Of all intervals in the table."""
DRAWS = 400


@dataclass(frozen=True)
class Money:
    """What a replacement costs and over which time a worse lot is priced.

    unit_cost: of a sensor where the records state none; swap_cost: labour of one swap; horizon_years.
    """

    unit_cost: float = 180.0
    swap_cost: float = 60.0
    horizon_years: float = 3.0


def lots(
    readings: pd.DataFrame,
    lives: pd.DataFrame,
    model: AgeingModel,
    by: str = "lot",
    *,
    adjust: tuple[str, ...] = ("site",),
    margin: float = 0.20,
    alpha: float = 0.05,
    method: str = "fdr",
    sensors: pd.DataFrame | None = None,
    forecast: pd.DataFrame | None = None,
    money: Money | None = None,
    life_horizon_years: float = 10.0,
    random_state: int = 0,
) -> pd.DataFrame:
    """Which lots are worse, by how much, and how sure that is; columns as in the nomenclature's table `lots`.

    readings, lives: the frames that `model` was fitted on. by: a column of lives. adjust: columns of lives whose level
    and ageing are taken out (temperature, humidity, cylinders, sessions and sensors are in any case). margin: rates
    within 1 -/+ margin of each other count as the same. alpha, method: of the verdict on the adjusted p values (fdr,
    holm). sensors: the records' table, for prices. forecast: the forecast table, for expected claims. Raises FitError
    where lives have no column `by`. Each lot is held against the mean of the others of its kind, without those found
    different before (a bad lot must not make all others look good). The comparison stands on the likeliest ageing curve
    of each kind.
    """
    column_of(lives, by)
    money = money or Money()
    frames = []
    done = set()
    for source in sources(model, lives):
        compared = compare_source(source, by, adjust, random_state)
        if compared is None:
            continue
        done.add(source.stratum.name)
        odd = odd_groups(compared.grouped, alpha, method)
        frame = ageing_frame(compared, odd, LEVEL, margin).assign(note=confounding(compared, odd))
        hazards = _hazards(source.lives, codes(source.lives[by])[0], compared.names.size)
        frame = frame.assign(**_death_columns(hazards))
        rng = np.random.default_rng(random_state)
        frame = frame.assign(**_life_columns(compared, odd, frame, hazards, life_horizon_years, rng))
        frames.append(frame)
    frames += [_without_ageing(part, by) for name, part in lives.groupby("stratum") if name not in done]
    frames = [frame for frame in frames if len(frame)]
    table = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
    if table.empty:
        return pd.DataFrame({name: pd.Series(dtype=object) for name in columns("lots")})
    table = _judged(table, margin, alpha, method)
    table = _priced(table, lives, by, sensors, forecast, money)
    return table[list(columns("lots"))].sort_values(["technology", "gas", "q_value", "lot"], kind="stable", ignore_index=True)


def soft_end(technology: str) -> bool:
    """Whether headroom leads to the end of such sensors; where it does not, lots are judged by their sudden deaths."""
    return technology not in flat_technologies()


def _hazards(lives: pd.DataFrame, code: NDArray[np.int64], groups: int) -> Hazards:
    """Sudden deaths of the groups of one stratum, from its lives."""
    start = lives["installed"]
    died = (lives["end_kind"] == "sudden").to_numpy()
    alive = lives["last_alive"].fillna(lives["entered"])
    gone = lives["ended"].where(lives["end_kind"] == "sudden", alive)
    middle = alive + (gone - alive) / 2  # a death lies between the last good test and the removal
    entry, leave = np.nan_to_num(_years(start, lives["entered"])), _years(start, middle)
    used = (code >= 0) & np.isfinite(leave) & (leave > entry)
    return compare_hazards(code[used], groups, entry[used], leave[used], died[used], LEVEL)


def _years(start: pd.Series, end: pd.Series) -> FloatArray:
    return np.asarray((end - start).dt.total_seconds(), dtype=np.float64) / (86400.0 * YEAR)


def _death_columns(hazards: Hazards) -> dict[str, FloatArray]:
    return {
        "sudden_deaths": hazards.deaths.astype(float),
        "sensor_years": hazards.sensor_years,
        "sudden_to_rest": hazards.ratio,
        "sudden_low": hazards.low,
        "sudden_high": hazards.high,
        "sudden_p_value": hazards.p_value,
    }


def _life_columns(
    compared: Compared, odd: NDArray[np.bool_], frame: pd.DataFrame, hazards: Hazards, horizon: float, rng: np.random.Generator
) -> dict[str, FloatArray]:
    """Mean life of a new sensor of each group with its interval, and of the rest of its kind."""
    grouped, source = compared.grouped, compared.source
    names = ("life_years", "life_low", "life_high", "rest_life_years")
    out = {name: np.full(compared.names.size, np.nan) for name in names}
    flat = not soft_end(source.stratum.technology)
    parameters = source.parameters
    spread = SensorSpread(parameters.sensor, parameters.brownian, hazards.shape, hazards.scale_years)
    for at in np.flatnonzero(grouped.level >= 0):
        pair = grouped.contrasts(grouped.rows(np.array([grouped.level[at], grouped.slope[at]])))
        slope, error = frame["ageing_per_year"][at], (frame["high"][at] - frame["low"][at]) / (2 * 1.6449)
        mean, covariance = _tied(pair.estimate, pair.covariance, slope, error, flat)
        hazard = np.r_[hazards.shrunken(int(at)), hazards.draws(int(at), DRAWS, rng)]
        life = life_interval(mean, covariance, hazard, spread, source.curve, horizon, rng, LEVEL)
        out["life_years"][at], out["life_low"][at], out["life_high"][at] = life
        rest = grouped.rest(int(at), grouped.level, odd), grouped.rest(int(at), grouped.slope, odd)
        if rest[0] is not None and rest[1] is not None:
            other = grouped.contrasts(np.vstack([rest[0], rest[1]]))
            slope = np.zeros(1) if flat else other.estimate[1:]
            usual = mean_life(other.estimate[:1], slope, np.ones(1), spread, source.curve, horizon)
            out["rest_life_years"][at] = usual[0]
    return out


def _tied(estimate: FloatArray, covariance: FloatArray, slope: float, error: float, flat: bool) -> tuple[FloatArray, FloatArray]:
    """Level and slope (2,) with covariance (2, 2) when the slope is the shrunken one: the level follows by regression.

    flat: the technology's headroom does not lead to its end, so the slope is none and only sudden deaths count.
    """
    if flat:
        return np.array([estimate[0], 0.0]), np.diag([covariance[0, 0], 0.0])
    tie = covariance[0, 1] / max(covariance[1, 1], 1e-300)
    left = max(covariance[0, 0] - tie * covariance[0, 1], 0.0)
    square = error**2
    mean = np.array([estimate[0] + tie * (slope - estimate[1]), slope])
    return mean, np.array([[left + tie**2 * square, tie * square], [tie * square, square]])


def _without_ageing(lives: pd.DataFrame, by: str) -> pd.DataFrame:
    """Rows of a stratum whose readings carry no comparison of ageing: counts and sudden deaths only."""
    code, names = codes(lives[by])
    if not names.size:
        return pd.DataFrame()
    hazards = _hazards(lives, code, names.size)
    return pd.DataFrame(
        {
            "lot": names,
            "technology": lives["technology"].iloc[0],
            "gas": lives["gas"].iloc[0],
            "sensors": np.bincount(code[code >= 0], minlength=names.size),
            "readings": 0,
            "note": "",
            **_death_columns(hazards),
        }
    )


def _judged(table: pd.DataFrame, margin: float, alpha: float, method: str) -> pd.DataFrame:
    """Adjusted p values over all rows of the table, and verdicts."""
    table = table.reindex(columns=[*dict.fromkeys([*table.columns, *columns("lots")])])
    for name in ("", "start_", "sudden_"):
        table[f"{name}q_value"] = adjusted(table[f"{name}p_value"].to_numpy(float), method)
    words = [
        verdict(ratio, q, p, alpha) if soft_end(technology) else verdict(deaths, sudden, np.nan, alpha)
        for technology, ratio, q, p, deaths, sudden in table[
            ["technology", "ratio_to_rest", "q_value", "p_equivalent", "sudden_to_rest", "sudden_q_value"]
        ].itertuples(index=False)
    ]
    silent = table["ageing_raw_per_year"].isna() & table["technology"].map(soft_end)
    table["verdict"] = np.where(silent, "too few readings", words)
    for name in ("sensors", "readings", "sudden_deaths"):
        table[name] = table[name].fillna(0).astype(int)
    return table


def _priced(
    table: pd.DataFrame,
    lives: pd.DataFrame,
    by: str,
    sensors: pd.DataFrame | None,
    forecast: pd.DataFrame | None,
    money: Money,
) -> pd.DataFrame:
    """Cost against the rest over the horizon, and claims to be expected before the warranty ends."""
    running = lives[lives["end_kind"] == ""]
    kind = [running[by].astype(str), running["technology"].astype(str), running["gas"].astype(str)]
    keys = pd.MultiIndex.from_frame(table[["lot", "technology", "gas"]].astype(str))
    now = running.groupby(kind).size().reindex(keys).fillna(0.0).to_numpy(np.float64)
    price = np.full(len(table), money.unit_cost)
    if sensors is not None and "unit_cost" in sensors:
        cost = running["sensor_id"].map(sensors.set_index("sensor_id")["unit_cost"])
        mean = cost.groupby(kind).mean().reindex(keys).to_numpy(float)
        price = np.where(np.isfinite(mean), mean, price)
    life, usual = table["life_years"].to_numpy(float), table["rest_life_years"].to_numpy(float)
    table["sensors_in_service"] = now.astype(int)
    table["extra_cost"] = extra_cost(
        np.asarray(now, np.float64), life, usual, np.asarray(price + money.swap_cost), money.horizon_years
    )
    return table.assign(expected_claims=np.nan) if forecast is None else with_claims(table, lives, forecast, by)


def with_claims(table: pd.DataFrame, lives: pd.DataFrame, forecast: pd.DataFrame, by: str = "lot") -> pd.DataFrame:
    """The table of `lots` with the claims that `forecast` lets expect: all in it that a forecast changes."""
    if "p_end_before_warranty_end" not in forecast:
        return table.assign(expected_claims=np.nan)
    running = lives[lives["end_kind"] == ""]
    kind = [running[by].astype(str), running["technology"].astype(str), running["gas"].astype(str)]
    keys = pd.MultiIndex.from_frame(table[["lot", "technology", "gas"]].astype(str))
    chance = running["sensor_id"].map(forecast.set_index("sensor_id")["p_end_before_warranty_end"])
    return table.assign(expected_claims=chance.groupby(kind).sum(min_count=1).reindex(keys).to_numpy(float))


def running_by_lot(lives: pd.DataFrame, sensors: pd.DataFrame, forecast: pd.DataFrame) -> pd.DataFrame:
    """The sensors in service of each lot in each kind, as they add up over parts of a fleet: lot, technology, gas, count, cost
    and costs (sum of the prices on record, and their number), claims (to be expected) and chances (sensors with one)."""
    running = lives.loc[lives["end_kind"] == "", ["sensor_id", "lot", "technology", "gas"]]
    keys = {name: running[name].astype(str) for name in ("lot", "technology", "gas")}
    cost = running["sensor_id"].map(sensors.set_index("sensor_id")["unit_cost"]).astype(float)
    chance = running["sensor_id"].map(forecast.set_index("sensor_id")["p_end_before_warranty_end"]).astype(float)
    table = pd.DataFrame(keys | {"count": 1, "cost": cost, "costs": cost.notna(), "claims": chance, "chances": chance.notna()})
    return table.groupby(list(keys), as_index=False).sum()


def with_running(table: pd.DataFrame, running: pd.DataFrame, money: Money) -> pd.DataFrame:
    """The table of `lots` with what depends on the sensors in service, from those of all parts of a fleet put together."""
    total = running.groupby(["lot", "technology", "gas"]).sum()
    own = total.reindex(pd.MultiIndex.from_frame(table[["lot", "technology", "gas"]].astype(str)))
    count = own["count"].fillna(0.0).to_numpy(float)
    mean = (own["cost"] / own["costs"].where(own["costs"] > 0)).to_numpy(float)
    price = np.where(np.isfinite(mean), mean, money.unit_cost)
    life, usual = table["life_years"].to_numpy(float), table["rest_life_years"].to_numpy(float)
    return table.assign(
        sensors_in_service=count.astype(int),
        extra_cost=extra_cost(count, life, usual, price + money.swap_cost, money.horizon_years),
        expected_claims=own["claims"].where(own["chances"] > 0).to_numpy(float),
    )
