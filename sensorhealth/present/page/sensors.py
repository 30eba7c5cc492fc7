"""What the page knows of each sensor: one row of the list, and, for the most pressing ones, its readings and path."""

from __future__ import annotations

import base64
from typing import Any

import numpy as np
import pandas as pd

from sensorhealth.present.page.headings import WORDED
from sensorhealth.present.page.tables import Column, column

URGENCY = (
    "out of service", "swap now", "swap at visit", "repeat calibration", "check gas", "test before warranty ends",
    "test with gas", "keep", "none",
)  # fmt: skip
NEEDS_NOTHING = ("keep", "none")
READINGS_IN_PAGE = 60_000
LEFT_OUT = 2
PAST_POINTS, FUTURE_POINTS = 8, 16
SCALE = 1000.0

LISTED = (
    ("plan", "action"), ("plan", "due"), ("plan", "visit"), ("plan", "reason"), ("forecast", "rul_days_p50"),
    ("forecast", "p_end_180d"), ("forecast", "headroom_ratio"), ("forecast", "last_gas_test"),
)  # fmt: skip


FORECAST_MORE = (
    "ageing_per_year", "p_end_90d", "p_end_365d", "p_end_before_warranty_end", "p_next_calibration_fails", "mode",
    "readings_used", "horizon_capped",
)  # fmt: skip


def in_service(forecast: pd.DataFrame) -> pd.DataFrame:
    """The rows of sensors that are in service on the as-of date."""
    return forecast[~forecast["status"].isin(["removed", "not yet installed"])]


def gas_test_state(forecast: pd.DataFrame, recent_days: float) -> pd.Series:
    """What the last gas test says today: passed, failed, or unknown (no test, no outcome, or none within
    `recent_days`).

    Nothing is held to be good without a pass on gas within that time.
    """
    age = (pd.to_datetime(forecast["as_of"]) - pd.to_datetime(forecast["last_gas_test"])).dt.days
    outcome = forecast["last_gas_test_outcome"].fillna("").astype(str)
    state = pd.Series("unknown: no test", index=forecast.index)
    old = age > recent_days
    state[age.notna()] = "unknown: no outcome"
    state[(outcome == "aborted") & age.notna()] = "unknown: aborted"
    state[(outcome == "pass") & old] = f"unknown for {recent_days:.0f} days"
    state[(outcome == "pass") & ~old & age.notna()] = "passed"
    state[outcome == "fail"] = "failed"
    return state


def sensor_list(analysis: Any) -> pd.DataFrame:
    """One row for every sensor of the forecast, with its plan, place and gas-test state; the most pressing first."""
    plan = analysis.plan.drop(columns=["site", "last_gas_test", "as_of", "status"], errors="ignore")
    plan = plan.rename(columns={"reason": "plan_reason"})
    known = [
        "sensor_id",
        "site",
        "gas",
        "technology",
        "lot",
        "instrument_id",
        "position",
        "installed",
        "warranty_end",
        "model",
    ]
    places = analysis.fleet.sensors[[name for name in known if name in analysis.fleet.sensors]]
    frame = analysis.forecast.merge(plan, on="sensor_id", how="left", validate="1:1")
    frame = frame.merge(places, on="sensor_id", how="left", validate="1:1")
    frame["reason"] = frame["plan_reason"].where(frame["plan_reason"].notna(), frame["reason"])
    frame["gas_test"] = gas_test_state(frame, analysis.policy.calibration_interval_days)
    return most_pressing(frame.drop(columns="plan_reason"), "rul_days_p50", "sensor_id")


def most_pressing(plan: pd.DataFrame, *then: str) -> pd.DataFrame:
    """The rows of a plan, those first that cannot wait; then: columns that order what is as pressing and due on one day."""
    order = {action: place for place, action in enumerate(URGENCY)}
    ranked = plan.assign(urgency=plan["action"].map(order).fillna(len(order)))
    return ranked.sort_values(["urgency", "due", *then], kind="stable", ignore_index=True).drop(columns="urgency")


def worded(frame: pd.DataFrame) -> pd.DataFrame:
    """The list with states of the contract in words for people."""
    return frame.assign(**{name: frame[name].replace(words) for name, words in WORDED.items() if name in frame})


def list_columns(frame: pd.DataFrame) -> list[Column]:
    """Columns of the sensor list."""
    place = [column("sensors", key) for key in ("site", "gas", "technology", "lot") if key in frame]
    listed = [column(table, key) for table, key in LISTED if key in frame]
    state = Column(
        "gas_test",
        "gas test",
        "Passed or failed at the last gas test; unknown without a recent pass",
        "text",
        choose=True,
    )
    return [column("forecast", "sensor_id"), *listed, state, *place, column("forecast", "status")]


def page_columns(frame: pd.DataFrame) -> list[Column]:
    """What a sensor's own page part shows beyond the list."""
    wanted = [("sensors", key) for key in ("instrument_id", "position", "model", "installed", "warranty_end")]
    wanted += [("forecast", key) for key in FORECAST_MORE]
    wanted += [("plan", key) for key in ("expected_cost", "confidence", "risk_until_visit", "over_risk")]
    return [column(table, key) for table, key in wanted if key in frame]


def paths(analysis: Any, listed: pd.DataFrame, limit: int = READINGS_IN_PAGE) -> dict[str, Any]:
    """Readings and fitted paths of the first sensors of `listed`, as many as `limit` readings hold, packed for the
    page.

    Single bad readings that the fit left out are among them, marked by LEFT_OUT in place of their censoring.

    Returns at (place of the sensor in the list), counts (readings of each), ends (first and last day of the path from
    the as-of date) and numbers: base64 of 16-bit integers: for each sensor the readings' days, ln ratios, effects of
    gas and session (x 1000) and censoring, then the path's means and standard deviations (x 1000).
    """
    current = analysis.lives[analysis.lives["current"].astype(bool)].set_index("sensor_id")
    place = pd.Series(
        np.arange(len(listed)),
        index=listed["life_id"] if "life_id" in listed else listed["sensor_id"].map(current["life_id"]),
    )
    readings = pd.concat([analysis.readings, left_out(analysis)])
    readings = readings[readings["life_id"].isin(place.index)]
    order = place.reindex(readings["life_id"]).to_numpy()
    readings = readings.assign(place=order).sort_values(["place", "time"], kind="stable")
    count = readings.groupby("place").size()
    count = count[count.cumsum() <= limit]
    if count.empty:
        return {"at": [], "counts": [], "ends": [], "past": PAST_POINTS, "future": FUTURE_POINTS, "numbers": ""}
    readings = readings[readings["place"].isin(count.index)]
    ends, mean, sd = _fitted(analysis, listed.iloc[count.index], current, readings)
    parts = _reading_numbers(analysis, readings)
    stops = np.cumsum(count.to_numpy())
    numbers = []
    for k, (start, stop) in enumerate(zip(stops - count.to_numpy(), stops)):
        numbers += [part[start:stop] for part in parts] + [mean[k], sd[k]]
    packed = np.concatenate(numbers).astype("<i2")
    return {
        "at": count.index.tolist(), "counts": count.tolist(), "ends": ends.astype(int).tolist(), "past": PAST_POINTS,
        "future": FUTURE_POINTS, "numbers": base64.b64encode(packed.tobytes()).decode(),
    }  # fmt: skip


def left_out(analysis: Any) -> pd.DataFrame:
    """Single bad readings that the fit left out: life_id, time, log_ratio (as recorded) and censoring = LEFT_OUT."""
    odd = analysis.oddities.single_readings[["row", "life_id", "time"]]
    odd = odd[~odd["row"].isin(analysis.readings["row"])].set_index("row")
    rows = analysis.fleet.calibrations.set_index("row")[["sensor_id", "headroom", "applied", "span_gain"]].loc[odd.index]
    limit = rows["sensor_id"].map(analysis.fleet.sensors.set_index("sensor_id")["gain_limit"]).astype(float)
    ratio = (rows["headroom"] / rows["applied"]).fillna(limit / rows["span_gain"]).astype(float)
    odd = odd.assign(log_ratio=np.log(ratio.where(ratio > 0)), censoring=LEFT_OUT)
    return odd[odd["log_ratio"].notna()].set_index(-1 - np.arange(int(odd["log_ratio"].notna().sum())))


def _short(values: np.ndarray) -> np.ndarray:
    return np.clip(np.round(np.nan_to_num(values)), -32768, 32767)


def _reading_numbers(analysis: Any, readings: pd.DataFrame) -> list[np.ndarray]:
    days = (readings["time"] - analysis.as_of).dt.total_seconds().to_numpy() / 86400
    residuals = analysis.ageing.residuals_.reindex(readings.index)
    effect = np.nan_to_num(residuals["gas_effect"].to_numpy(dtype=float))
    if "session_effect" in residuals:
        effect = effect + np.nan_to_num(residuals["session_effect"].to_numpy(dtype=float))
    y = readings["log_ratio"].to_numpy(dtype=float)
    return [
        _short(days),
        _short(y * SCALE),
        _short(effect * SCALE),
        _short(readings["censoring"].to_numpy(dtype=float)),
    ]


def _fitted(
    analysis: Any, chosen: pd.DataFrame, current: pd.DataFrame, readings: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Days of the first and last path point, and mean and sd of ln ratio along it, for each chosen sensor."""
    lives = current.loc[chosen["sensor_id"]]
    first = readings.groupby("place")["time"].min().to_numpy()
    start = np.minimum((pd.to_datetime(first) - analysis.as_of).days.to_numpy(dtype=float), -1.0)
    life = chosen["rul_days_p95"].to_numpy(dtype=float)
    stop = np.clip(np.where(np.isfinite(life), life * 1.15, 365.0), 180.0, np.maximum(730.0, -start))
    past = start[:, None] * np.linspace(1, 0, PAST_POINTS, endpoint=False)
    days = np.hstack([past, stop[:, None] * np.linspace(0, 1, FUTURE_POINTS)])
    age_now = (analysis.as_of - lives["installed"]).dt.total_seconds().to_numpy() / 86400
    ages = np.maximum(0.0, age_now[:, None] + days) / 365.25
    steps = days.shape[1]
    predicted = analysis.ageing.predict(np.repeat(lives["life_id"].to_numpy(), steps), ages.ravel())
    mean = predicted["mean"].to_numpy(dtype=float).reshape(-1, steps)
    sd = predicted["sd_latent"].to_numpy(dtype=float).reshape(-1, steps)
    return np.column_stack([start, stop]), _short(mean * SCALE), _short(sd * SCALE)
