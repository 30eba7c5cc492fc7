"""Which sensors to test again because of the gas they were adjusted with."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sensorhealth.health.headroom import ADJUSTING
from sensorhealth.health.life_table import FleetTables
from sensorhealth.nomenclature import columns

COLUMNS = tuple(columns("retest"))
IN_REASON = ("error_ratio", "judgement", "time", "latest", "cylinder_id", "direction")


def retest_list(fleet: FleetTables, cylinder_table: pd.DataFrame) -> pd.DataFrame:
    """Every sensor in service that stands adjusted with a flagged cylinder, columns as in the nomenclature (retest).

    cylinder_table: as from `judge_cylinders`. A sensor is listed when a span that passed used a flagged cylinder at any
    time since the cylinder's first use, and no later span that passed used gas that is in order; gas without a recorded
    cylinder does not clear it. error_ratio: reading over true concentration, exp(-bias) on the day of the adjustment;
    the direction is that day's: gas that fades may have been strong when it was new.
    The sensors that under-read come first: that is the dangerous way.
    """
    flagged = cylinder_table[cylinder_table["flagged"].astype(bool)]
    if flagged.empty:
        return pd.DataFrame(columns=list(COLUMNS))
    last = _last_known_adjustment(fleet)
    listed = last.merge(flagged.drop(columns=["sensors", "readings"]), on=["cylinder_id", "gas"], how="inner")
    days = (listed["last_used"] - listed["time"]).dt.total_seconds() / 86_400
    bias = listed["bias"] - listed["fade_per_day"] * days.fillna(0.0)
    listed["error_ratio"] = np.exp(-bias)
    weak = bias < 0
    listed["direction"] = np.where(weak, "over-reads", "under-reads")
    listed["adjusted"] = listed["time"].dt.floor("D")
    listed["reason"] = [_reason(row) for row in listed[list(IN_REASON)].to_dict("records")]
    listed["_dangerous"] = weak.to_numpy()
    listed["_size"] = -np.abs(np.log(listed["error_ratio"]))
    order = ["_dangerous", "_size", "sensor_id"]
    return listed.sort_values(order, kind="stable", ignore_index=True)[list(COLUMNS)]


def _last_known_adjustment(fleet: FleetTables) -> pd.DataFrame:
    """Last span of each sensor in service that passed with a recorded cylinder, and whether one without came later."""
    calibrations = fleet.calibrations
    passed = (calibrations["outcome"] == "pass") | (
        (calibrations["outcome"] == "") & calibrations[["as_left", "span_gain"]].notna().any(axis=1)
    )
    spans = calibrations.loc[calibrations["kind"].isin(ADJUSTING) & passed, ["sensor_id", "time", "cylinder_id"]]
    latest = (_run_ends(spans) if _in_order(spans) else spans).groupby("sensor_id")["time"].max().rename("latest").reset_index()
    known = _run_ends(spans[spans["cylinder_id"] != ""]).drop_duplicates("sensor_id", keep="last")
    known = known.merge(latest, on="sensor_id")
    serving = fleet.sensors[fleet.sensors["removed"].isna()]
    return known.merge(serving[["sensor_id", "site", "instrument_id", "gas"]], on="sensor_id", how="inner")


def _run_ends(spans: pd.DataFrame) -> pd.DataFrame:
    """The last row of each stretch of rows of one sensor."""
    sensor = spans["sensor_id"].to_numpy()
    return spans[np.r_[sensor[1:] != sensor[:-1], True][: sensor.size]]


def _in_order(spans: pd.DataFrame) -> bool:
    """Whether rows of one sensor that follow one another do so in time."""
    sensor, time = spans["sensor_id"].to_numpy(), spans["time"].to_numpy()
    return bool(((np.diff(time) >= np.timedelta64(0)) | (sensor[1:] != sensor[:-1])).all())


def _reason(row: dict) -> str:
    """Why the sensor is on the list, in words."""
    off = 100 * abs(np.expm1(np.log(row["error_ratio"])))
    held = {"weak": "weak", "strong": "strong", "wrong concentration": "wrong"}[row["judgement"]]
    gas = f"adjusted on {row['time']:%Y-%m-%d} with cylinder {row['cylinder_id']}, held to be {held}"
    effect = f"reads about {off:.0f} % too {'high' if row['direction'] == 'over-reads' else 'low'}"
    danger = "" if row["direction"] == "over-reads" else ", the dangerous way"
    later = "; later adjusted with gas that was not recorded" if row["latest"] > row["time"] else ""
    return f"{gas}: {effect}{danger}{later}; test again on gas that is in order"
