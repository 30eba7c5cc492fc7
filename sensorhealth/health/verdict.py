"""Sensor, gas or handling? One sensor's last reading on gas, for the technician at the bench."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sensorhealth.health.causes import Evidence, cause_probabilities
from sensorhealth.health.headroom import only_passed
from sensorhealth.health.life_table import GAS_TESTS, FleetTables
from sensorhealth.health.oddities import Oddities
from sensorhealth.health.wording import counted, sure

SPENT = 0.02
LOW = -0.03
YEAR_DAYS = 365.25
RECENT, YEAR = pd.Timedelta(days=120), pd.Timedelta(days=365)
CAUTION = (
    "A verdict is not a proof of function: bump tests and calibrations that the maker, local codes and the site's "
    "competent person require go on unchanged."
)
OUT_OF_SERVICE = "It failed its last test on gas: it is out of service until it passes, whatever else is said here."
NEXT = {
    "gas": "check the gas before ordering a sensor: repeat on another cylinder within its date, with another regulator",
    "handling": "repeat the calibration: look at cap, tube, flow, time of exposure and the concentration that was set",
    "zero": "zero again in air known to be clean, then span again",
    "sensor": "the fall was seen on more than one cylinder: replace the sensor at the next visit, at once if it failed",
    "no fault seen": "nothing beyond the routine",
    "unknown": "calibrate it on a cylinder within its date",
    "removed": "the sensor has been taken out: nothing is left to do on it here",
    "gone": "by the records it was taken out, they do not say why: if it is still in use, test it on gas before it is relied on",
}
ONE_CYLINDER = "no sensor is condemned on one cylinder: repeat on a second cylinder within its date before it is replaced"


@dataclass(frozen=True)
class Verdict:
    """What is held of one sensor's last reading on gas.

    verdict: sensor, gas, handling, zero, no fault seen or unknown; probability: of that; probabilities: of every cause,
    adding up to one (empty where unknown). reason, next_step: in words. last_gas_test: NaT for none. lines: all of it
    for a screen or a sheet of paper.
    """

    sensor_id: str
    verdict: str
    probability: float
    probabilities: Mapping[str, float]
    reason: str
    next_step: str
    last_gas_test: pd.Timestamp
    lines: tuple[str, ...]


def verdict(
    sensor_id: str,
    *,
    fleet: FleetTables,
    lives: pd.DataFrame,
    readings: pd.DataFrame,
    residuals: pd.DataFrame,
    oddities: Oddities,
    cylinders: pd.DataFrame,
    forecast: pd.DataFrame | None = None,
    zeros: pd.DataFrame | None = None,
    zero_drift: pd.DataFrame | None = None,
    response_times: pd.DataFrame | None = None,
) -> Verdict:
    """Sensor, gas or handling, for the last reading on gas of `sensor_id`.

    fleet: the records. lives, readings, residuals, oddities, cylinders: as the other doors of this room and the ageing
    model give them (readings and residuals aligned). forecast: the forecast table, for one line. zeros: as from
    `zero_events`. zero_drift, response_times: as from the functions of these names, for a line on each that stands
    out. Raises KeyError for a sensor that is not in the fleet.
    """
    sensors = fleet.sensors
    if not (sensors["sensor_id"] == sensor_id).any():
        raise KeyError(sensor_id)
    sensor = sensors[sensors["sensor_id"] == sensor_id].iloc[0]
    own = fleet.calibrations[fleet.calibrations["sensor_id"] == sensor_id]
    tests = own[own["kind"].isin(GAS_TESTS) & (own["outcome"] != "aborted")]
    if tests.empty:
        return _say(sensor, None, {}, "there is no test on gas in the records", NEXT["unknown"], forecast)
    last = tests.iloc[-1]
    spoken = oddities.deviations[oddities.deviations["row"] == last["row"]]
    if spoken.empty:
        failed = last["outcome"] == "fail"
        told = "it failed and left no value" if failed else "it left no headroom and no gain to compare with its past"
        return _say(sensor, last, {}, f"the last test on gas was a {last['kind']} test: {told}", NEXT["unknown"], forecast)
    clues = _clues(sensor_id, last, spoken.iloc[0], sensor["gas"], readings, residuals, oddities, cylinders, zeros, lives)
    found = cause_probabilities(clues["evidence"])
    name = max(found, key=lambda cause: found[cause])
    step = ONE_CYLINDER if name == "sensor" and clues["low_cylinders"] < 2 else NEXT[name]
    said = _say(sensor, last, found, _reason(name, clues), step, forecast)
    past = _past(sensor_id, oddities) + _trends(sensor_id, zero_drift, response_times)
    return replace(said, lines=(*said.lines[:-1], *past, said.lines[-1]))


def _clues(
    sensor_id: str,
    last: pd.Series,
    spoken: pd.Series,
    gas: str,
    readings: pd.DataFrame,
    residuals: pd.DataFrame,
    oddities: Oddities,
    cylinders: pd.DataFrame,
    zeros: pd.DataFrame | None,
    lives: pd.DataFrame,
) -> dict[str, Any]:
    """Everything that bears on the last reading."""
    at = np.flatnonzero((readings["row"] == last["row"]).to_numpy())
    gas_effect = float(residuals["gas_effect"].to_numpy()[at[0]]) if len(at) else 0.0
    session = float(residuals["session_effect"].to_numpy()[at[0]]) if len(at) else 0.0
    off = float(spoken["deviation"]) + gas_effect + session
    fall = _last_fall(sensor_id, last, oddities)
    if fall is not None and fall["ended"] and off < fall["size"] / 2:
        off -= float(fall["size"])  # held to be a step: what is left to be explained is the rest
    judged = cylinders[(cylinders["cylinder_id"] == last["cylinder_id"]) & (cylinders["gas"] == gas)]
    mine = readings[readings["sensor_id"] == sensor_id]
    before = mine.loc[mine["time"] < last["time"], "time"]
    value = float(mine["log_ratio"].iloc[-1]) if len(mine) else np.nan
    bad = judged.iloc[0] if len(judged) else None
    shift = 0.0
    if zeros is not None and len(zeros):
        shift = float(zeros.loc[zeros["next_row"] == last["row"], "ratio_shift"].fillna(0.0).sum())
    evidence = Evidence(
        off=off,
        sd=float(spoken["deviation_sd"]),
        gas_bias=float(bad["bias"]) if bad is not None else 0.0,
        gas_sd=float(bad["high"] - bad["low"]) / 3.29 if bad is not None else 0.05,
        gas_off=_gas_off(bad),
        gap_years=(last["time"] - before.max()).days / YEAR_DAYS if len(before) else 0.25,
        together=_together(last, oddities, lives, sensor_id),
        zero_shift=shift,
        spent=bool(value - off <= (SPENT if last["outcome"] != "fail" else max(SPENT, 2.5 * spoken["deviation_sd"]))),
    )
    return {
        "evidence": evidence,
        "value": value,
        "last": last,
        "others": _others(sensor_id, last, gas, readings, residuals, lives),
        "fall": fall,
        "cylinder": bad,
        "low_cylinders": _low_cylinders(mine, oddities),
    }


def _gas_off(judged: pd.Series | None) -> float:
    """Probability that the cylinder is off; of one that cannot be told, that of any cylinder."""
    if judged is None:
        return 0.0
    return float(judged["p_off"]) if judged["judgement"] != "cannot tell" else max(float(judged["p_off"]), 0.05)


def _together(last: pd.Series, oddities: Oddities, lives: pd.DataFrame, sensor_id: str) -> bool:
    """Whether the whole instrument read low at this visit."""
    instrument = lives.loc[lives["sensor_id"] == sensor_id, "instrument_id"].iloc[-1]
    visits = oddities.sessions[oddities.sessions["kind"] == "instrument"]
    day = pd.Timestamp(last["time"]).floor("D")
    return bool(instrument) and bool(((visits["where"] == instrument) & (visits["time"].dt.floor("D") == day)).any())


def _last_fall(sensor_id: str, last: pd.Series, oddities: Oddities) -> pd.Series | None:
    """The step down within the last year after which the sensor has stood so far; None for none, or a swap since then."""
    own = oddities.steps[(oddities.steps["sensor_id"] == sensor_id) & (oddities.steps["time_after"] <= last["time"])]
    own = own[own["kind"].isin(["down", "swap"])]
    if own.empty or own["kind"].iloc[-1] != "down" or last["time"] - own["time_after"].iloc[-1] > YEAR:
        return None
    return own.iloc[-1]


def _others(
    sensor_id: str, last: pd.Series, gas: str, readings: pd.DataFrame, residuals: pd.DataFrame, lives: pd.DataFrame
) -> dict[str, Any]:
    """Other sensors on the same cylinder: how many, how many read low or high of late (gas fades), since when."""
    cylinder = last["cylinder_id"]
    strata = lives.loc[lives["gas"] == gas, "stratum"].unique()
    on = ((readings["cylinder"] == cylinder) & readings["stratum"].isin(strata)).to_numpy() & (cylinder != "")
    off = pd.Series(residuals["residual"].to_numpy()[on] + residuals["gas_effect"].to_numpy()[on])
    there = readings[on].assign(off=off.to_numpy())
    there = there[there["sensor_id"] != sensor_id]
    late = there[there["time"] >= last["time"] - RECENT]
    mean = (late if len(late) else there).groupby("sensor_id")["off"].mean()
    return {
        "sensors": len(mean),
        "low": int((mean < LOW).sum()),
        "high": int((mean > -LOW).sum()),
        "since": there["time"].min() if len(there) else pd.NaT,
        "readings": len(there),
    }


def _low_cylinders(mine: pd.DataFrame, oddities: Oddities) -> int:
    """On how many cylinders the sensor has stood low: those of the readings since its last step down, or at the
    limit."""
    if mine.empty:
        return 0
    steps = oddities.steps[(oddities.steps["sensor_id"] == mine["sensor_id"].iloc[0]) & (oddities.steps["kind"] == "down")]
    since = steps["time_after"].max() if len(steps) else pd.NaT
    low = (mine["log_ratio"] <= SPENT) & ~only_passed(mine)
    if pd.notna(since):
        low |= mine["time"] >= since
    return int(mine.loc[low, "cylinder"].replace("", np.nan).nunique())


def _reason(name: str, clues: dict[str, Any]) -> str:
    """Why, in one line."""
    evidence, others = clues["evidence"], clues["others"]
    off = f"{100 * np.expm1(evidence.off):+.0f} % off what its own past lets expect"
    if name == "gas":
        weak = evidence.gas_bias < 0
        count = others["low"] if weak else others["high"]
        since = f" since {others['since']:%Y-%m-%d}" if pd.notna(others["since"]) else ""
        bias = f"{100 * np.expm1(evidence.gas_bias):+.0f} %"
        return (
            f"{counted(count, 'other sensor')} read {'low' if weak else 'high'} on this cylinder{since} "
            f"({counted(others['readings'], 'reading')} of {others['sensors']}): the gas is put at {bias}, and this "
            f"reading is {off}"
        )
    if name == "handling":
        if evidence.together:
            return f"all sensors of the instrument read low at this visit; this one {off}: leak, cap, tube or flow"
        return f"only reading so far that is {off}, and the sensor's path gave no sign: a bad reading is likelier than a step"
    if name == "zero":
        return f"the zero before it was set in contaminated air, which takes {100 * -np.expm1(evidence.zero_shift):.0f} % off"
    if name == "sensor":
        fall = clues["fall"]
        if fall is not None and (fall["ended"] or evidence.spent):
            when = f"between {fall['earliest']:%Y-%m-%d} and {fall['latest']:%Y-%m-%d}"
            size = f"{100 * np.expm1(fall['size']):+.0f} %"
            return f"it fell at once ({size} {when}) and stayed low: a step (poisoning, over-range, drying), not wear"
        if evidence.spent:
            return "its own path has come down to the limit: it is worn"
        return f"{off}, other sensors of the cylinder read as they should, and the path had come down before"
    return f"{off}, within what noise and ordinary gas explain"


def _say(
    sensor: pd.Series,
    last: pd.Series | None,
    found: Mapping[str, float],
    reason: str,
    step: str,
    forecast: pd.DataFrame | None,
) -> Verdict:
    """The verdict with its lines."""
    name = max(found, key=lambda cause: found[cause]) if found else "unknown"
    probability = float(found[name]) if found else 0.0
    when: Any = pd.Timestamp(last["time"]) if last is not None else pd.NaT
    lines = [f"{sensor['sensor_id']}  {sensor['gas']}  {sensor['technology']}  {sensor['site']}".rstrip()]
    if last is None:
        lines.append("Last test on gas: none in the records")
    else:
        gas = f" on cylinder {last['cylinder_id']}" if last["cylinder_id"] else ""
        lines.append(f"Last test on gas: {when:%Y-%m-%d}, {last['kind']}{gas}, {last['outcome'] or 'outcome not recorded'}")
    lines.append(f"Verdict: {name}" + (f" ({sure(probability)})" if found else ""))
    lines.append(f"Why: {reason}")
    rest = [f"{cause} {p:.2f}" for cause, p in sorted(found.items(), key=lambda item: -item[1]) if cause != name and p >= 0.01]
    if rest:
        lines.append("Else: " + ", ".join(rest))
    gone = pd.notna(sensor["removed"])
    if gone:
        step = NEXT["removed" if sensor["removal_reason"] else "gone"]
        lines.append(f"Removed: {sensor['removed']:%Y-%m-%d}, {sensor['removal_reason'] or 'no reason recorded'}")
    lines.append(f"Next: {step}")
    if last is not None and last["outcome"] == "fail" and not (gone and sensor["removal_reason"]):
        lines.append(OUT_OF_SERVICE)
    lines += _outlook(sensor["sensor_id"], forecast)
    lines.append(CAUTION)
    return Verdict(sensor["sensor_id"], name, probability, dict(found), reason, step, when, tuple(lines))


def _past(sensor_id: str, oddities: Oddities) -> list[str]:
    """One line on what happened to the sensor before, where anything did."""
    own = oddities.steps[oddities.steps["sensor_id"] == sensor_id].tail(3)
    words = {"down": "step down", "up": "step up", "swap": "swap without a record"}
    told = [
        f"{words[row['kind']]} ({100 * np.expm1(row['size']):+.0f} %) by {row['time_after']:%Y-%m-%d}"
        for _, row in own.iterrows()
    ]
    return ["Its past: " + "; ".join(told)] if told else []


def _trends(sensor_id: str, zero_drift: pd.DataFrame | None, response_times: pd.DataFrame | None) -> list[str]:
    """Lines on a zero that drifts and a response that slows."""
    lines = []
    for what, table, flag in (("Zero", zero_drift, "drifting"), ("Response", response_times, "slowing")):
        if table is not None:
            own = table[(table["sensor_id"] == sensor_id) & table[flag].astype(bool)].tail(1)
            lines += [f"{what}: {reason}" for reason in own["reason"]]
    return lines


def _outlook(sensor_id: str, forecast: pd.DataFrame | None) -> list[str]:
    """One line of forecast, where there is one."""
    if forecast is None:
        return []
    row = forecast[forecast["sensor_id"] == sensor_id]
    if row.empty or row["status"].iloc[0] != "forecast":
        return []
    days = [f"{row[name].iloc[0]:.0f}" for name in ("rul_days_p50", "rul_days_p05", "rul_days_p95")]
    return [f"Forecast: {days[0]} days left (90 % between {days[1]} and {days[2]})"]
