"""Visits to the bench that went wrong: a whole instrument low once, a session or a person off, first sensors low.

All of it is read from the deviations: each reading less what all other readings of its own path let expect, gas
removed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.false_discovery import critical_p
from sensorhealth.health.path_filter import FloatArray

KINDS = ("instrument", "session", "technician", "first of session")
COLUMNS = (
    "kind", "where", "site", "stratum", "time", "effect", "std_error", "p_value", "sensors", "readings", "flagged",
    "reason",
)  # fmt: skip
LEAST_SENSORS = 3
LEAST_SESSIONS = 3
MOST_OF_THEM = 2 / 3
DATE = r"(\d{4}-\d{2}-\d{2}) (.*)$"


def judge_sessions(table: pd.DataFrame, false_discovery_rate: float) -> pd.DataFrame:
    """One row per suspect visit (kind instrument or session, flagged ones only), per technician, and per stratum.

    table: readings with instrument_id, deviation, deviation_sd, session_effect, odd. Columns out: kind
    ("instrument": all gases of one instrument low at one visit: leak, cap, flow; "session": one site, day and
    technician off; "technician": all sessions of one person against the others; "first of session": first visit to a
    cylinder in a session against the later ones, by stratum: regulator not yet conditioned), where (instrument,
    session, technician or stratum), site, stratum, time, effect and std_error (ln ratio), p_value, sensors, readings,
    flagged (at `false_discovery_rate`, held within each kind), reason in words.
    """
    if table.empty:
        return pd.DataFrame(columns=list(COLUMNS)).astype({"time": "datetime64[us]"})
    sessions = _session_shifts(table)
    flagged = _flag(sessions, false_discovery_rate)
    off = sessions.index[flagged]
    parts = [
        _instruments(table[~table["session"].isin(off)] if len(off) else table, false_discovery_rate),
        sessions[flagged].reset_index(names="where").assign(kind="session", flagged=True),
        _technicians(sessions, false_discovery_rate),
        _first_of_session(table, false_discovery_rate),
    ]
    frame = pd.concat([part for part in parts if len(part)] or [pd.DataFrame(columns=list(COLUMNS))], ignore_index=True)
    for name in COLUMNS:
        if name not in frame:
            frame[name] = pd.NaT if name == "time" else ""
    for name in ("site", "stratum"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), "")
    frame["time"] = pd.to_datetime(frame["time"])
    frame["reason"] = [_reason(row) for row in frame.to_dict("records")]
    return frame[list(COLUMNS)]


def _two_sided(z: FloatArray) -> FloatArray:
    from scipy.special import ndtr

    return 2 * ndtr(-np.abs(z))


def _flag(frame: pd.DataFrame, rate: float) -> NDArray[np.bool_]:
    """Which rows the false-discovery rate lets through."""
    p = frame["p_value"].to_numpy(dtype=float)
    return p <= critical_p(p, rate)


def _session_shifts(table: pd.DataFrame) -> pd.DataFrame:
    """Median deviation of each session of LEAST_SENSORS sensors or more on more than one instrument. What only some of
    a session's readings have in common is not the session's."""
    columns = ["session", "sensor_id", "instrument_id", "site", "time", "deviation", "deviation_sd", "session_effect"]
    known = table.loc[(table["session"] != "") & (table["censoring"] >= 0), columns]
    value = known["deviation"] + known["session_effect"]
    sensor = pd.factorize(known["sensor_id"])[0]
    instrument, names = pd.factorize(known["instrument_id"])
    held = np.where((names != "")[instrument], sensor.max(initial=0) + 1 + instrument, sensor)
    session, place = pd.factorize(known["session"], sort=True)
    numbers = pd.DataFrame({"value": value.to_numpy(), "variance": known["deviation_sd"].to_numpy() ** 2, "sensor": sensor,
                            "held": held, "time": known["time"].to_numpy()})  # fmt: skip
    grouped = numbers.groupby(session, sort=True)
    first = np.unique(session, return_index=True)[1]
    frame = pd.DataFrame(
        {
            "effect": grouped["value"].median(),
            "variance": grouped["variance"].median(),
            "sensors": grouped["sensor"].nunique(),
            "readings": grouped.size(),
            "site": known["site"].to_numpy(dtype=object)[first],
            "time": grouped["time"].min(),
            "instruments": grouped["held"].nunique(),
        }
    ).set_axis(pd.Index(place, name="session"))
    frame = frame[(frame["sensors"] >= LEAST_SENSORS) & (frame.pop("instruments") > 1)]
    own = frame["variance"] * (np.pi / 2) / frame["readings"]
    spread = (1.4826 * (frame["effect"] - frame["effect"].median()).abs().median()) ** 2 if len(frame) else 0.0
    between = max(0.0, spread - float(own.median())) if len(frame) else 0.0
    frame["std_error"] = np.sqrt(own + between)
    frame["p_value"] = _two_sided((frame["effect"] / frame["std_error"]).to_numpy(dtype=float))
    shift = frame["effect"].reindex(place).to_numpy(dtype=float)[session]
    along = value.to_numpy() * np.sign(shift) > np.abs(shift) / 2
    shared = pd.Series(np.bincount(session, along) / np.bincount(session), index=place).reindex(frame.index)
    frame.loc[shared < MOST_OF_THEM, "p_value"] = 1.0
    return frame.drop(columns="variance")


def _instruments(table: pd.DataFrame, rate: float) -> pd.DataFrame:
    """Instruments of which all sensors read low at one visit.

    The lowest sensor is left out of the test, so that one bad sensor alone does not condemn the visit. Of the attempts of a
    day the first counts: the next ones were made because of it.
    """
    known = table.loc[table["instrument_id"] != "", ["instrument_id", "time", "sensor_id", "site", "deviation", "deviation_sd"]]
    known = known.assign(where=known["instrument_id"], day=known["time"].dt.floor("D"))
    known = known.sort_values("time", kind="stable").drop_duplicates(["where", "day", "sensor_id"])
    known = known.assign(z=known["deviation"] / known["deviation_sd"], weight=known["deviation_sd"] ** -2.0)
    known["weighted"] = known["deviation"] * known["weight"]
    grouped = known.groupby(["where", "day"], sort=True)
    frame = pd.DataFrame(
        {
            "sensors": grouped["sensor_id"].nunique(),
            "readings": grouped.size(),
            "sum": grouped["z"].sum(),
            "lowest": grouped["z"].min(),
            "highest": grouped["z"].max(),
            "effect": grouped["weighted"].sum() / grouped["weight"].sum(),
            "std_error": grouped["weight"].sum() ** -0.5,
            "site": grouped["site"].first(),
            "time": grouped["time"].min(),
        }
    ).reset_index()
    frame = frame[frame["sensors"] >= 2]
    rest = (frame["sum"] - frame["lowest"]) / np.sqrt(frame["readings"] - 1)
    frame["p_value"] = np.where((rest < 0) & (frame["highest"] < 0), _two_sided(rest.to_numpy(dtype=float)) / 2, 1.0)
    frame = frame[_flag(frame, rate)]
    return frame.assign(kind="instrument", flagged=True)


def _technicians(sessions: pd.DataFrame, rate: float) -> pd.DataFrame:
    """Each person's sessions against all others'; one session far off the person's own does not speak for the person.

    One after the other: who stands out most is left out of what the rest are held against, or one person's way of working
    would make all others seem off.
    """
    person = sessions.index.to_series().str.extract(DATE)[1].fillna("")
    known = sessions.assign(where=person)[person != ""]
    middle, reach = known.groupby("where")["effect"].transform("median"), 3 * known["std_error"]
    known["effect"] = known["effect"].clip(middle - reach, middle + reach)
    weight = known["std_error"] ** -2.0
    sums = pd.DataFrame({"w": weight, "wx": weight * known["effect"], "n": 1.0, "sensors": known["sensors"],
                         "readings": known["readings"], "where": known["where"]}).groupby("where").sum()  # fmt: skip
    frame = _contrasts(sums, pd.Series(True, index=sums.index))
    usual = pd.Series(True, index=sums.index)
    for _ in range(len(sums) - 2):
        off = frame[_flag(frame, rate) & usual[frame.index]] if len(frame) else frame
        if off.empty:
            break
        usual &= usual.index != (off["effect"] / off["std_error"]).abs().idxmax()
        frame = _contrasts(sums, usual)
    if frame.empty:
        return pd.DataFrame()
    frame["flagged"] = _flag(frame, rate)
    return frame.drop(columns=["w", "wx", "n"]).reset_index().assign(kind="technician")


def _contrasts(sums: pd.DataFrame, usual: pd.Series) -> pd.DataFrame:
    """Each person's mean less that of all usual others, with its standard error and p-value."""
    total = sums.loc[usual, ["w", "wx"]].sum()
    rest_weight, rest = total["w"] - sums["w"].where(usual, 0.0), total["wx"] - sums["wx"].where(usual, 0.0)
    known = (sums["n"] >= LEAST_SESSIONS) & (rest_weight > 0)
    frame, rest_weight, rest = sums[known].copy(), rest_weight[known], rest[known]
    frame["effect"] = frame["wx"] / frame["w"] - rest / rest_weight
    frame["std_error"] = np.sqrt(1 / frame["w"] + 1 / rest_weight)
    frame["p_value"] = _two_sided((frame["effect"] / frame["std_error"]).to_numpy(dtype=float))
    return frame


def _first_of_session(table: pd.DataFrame, rate: float) -> pd.DataFrame:
    """First visit to a cylinder in a session against the later ones of the same session, by stratum."""
    columns = ["stratum", "session", "cylinder", "order_in_session", "deviation", "deviation_sd"]
    mask = (table["session"] != "") & (table["cylinder"] != "") & ~table["odd"] & table["deviation"].notna()
    known = table.loc[mask, columns]
    stratum, strata = pd.factorize(known["stratum"], sort=True)
    visit = stratum
    for name in ("session", "cylinder"):
        code, names = pd.factorize(known[name])
        visit = pd.factorize(visit * len(names) + code)[0]
    of_visit = np.zeros(int(visit.max(initial=-1)) + 1, dtype=np.intp)
    of_visit[visit] = stratum
    group = 2 * visit + (known["order_in_session"] != 1).to_numpy()  # of each visit first readings, then later ones
    count, deviation, variance = (
        np.bincount(group, values, 2 * of_visit.size).reshape(-1, 2)
        for values in (None, known["deviation"].to_numpy(dtype=float), known["deviation_sd"].to_numpy(dtype=float) ** 2)
    )
    both = (count > 0).all(axis=1)
    if not both.any():
        return pd.DataFrame()
    mean = deviation[both] / count[both]
    weight = 1 / (variance[both] / count[both] ** 2).sum(axis=1)
    contrast = pd.DataFrame({"where": strata[of_visit[both]], "weight": weight, "readings": count[both, 0].astype(int)})
    sums = contrast.assign(weighted=(mean[:, 0] - mean[:, 1]) * weight).groupby("where", sort=True).sum()
    frame = pd.DataFrame({"effect": sums["weighted"] / sums["weight"], "std_error": sums["weight"] ** -0.5})
    frame["readings"] = sums["readings"]
    frame["sensors"] = frame["readings"]
    frame["p_value"] = _two_sided((frame["effect"] / frame["std_error"]).to_numpy(dtype=float))
    frame["flagged"] = _flag(frame, rate) & (frame["effect"] < 0)
    frame = frame.reset_index()
    return frame.assign(kind="first of session", stratum=frame["where"])


def _reason(row: dict) -> str:
    """One line in words."""
    size = f"{100 * np.expm1(row['effect']):+.0f} %"
    if row["kind"] == "instrument":
        return (
            f"all {row['readings']} sensors of {row['where']} read low at this visit ({size}): look for a leak, a "
            "loose cap, a kinked tube or a wrong flow, and repeat the calibration"
        )
    if row["kind"] == "session":
        return (
            f"{row['sensors']} sensors read {size} off in this session, gas taken into account: look at regulator, "
            "flow, cap and the concentration that was set"
        )
    if not row["flagged"]:
        return f"{size} against the others: within chance"
    if row["kind"] == "technician":
        return f"readings of {row['where']} stand {size} off those of the others: compare the way of working"
    return f"the first sensors of a session read {size} off the later ones: let the gas flow longer before the first"
