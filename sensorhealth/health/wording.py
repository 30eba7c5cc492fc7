"""Words for what was found: likely causes, advice and findings."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.path_filter import FloatArray
from sensorhealth.nomenclature import columns

STOCK_TOLERANCE = 0.06
STOCK_LEAST = 0.18
STOCK_FACTORS = (2.0, 4.0, 5.0, 10.0)
REPEAT = (
    "only reading so far: repeat the calibration, on a second cylinder within its date, before anything is replaced; a "
    "sensor that failed stays out of service until it passes"
)


def likely_cause(
    singles: pd.DataFrame, table: pd.DataFrame, sessions: pd.DataFrame, cylinders: pd.DataFrame | None
) -> NDArray[np.object_]:
    """What each single bad reading looks like: a whole instrument low, a wrong concentration set, or a leak.

    table: readings with instrument and time by row; sessions: as judged; cylinders: for the ratios of stock values.
    """
    cause = np.full(len(singles), "one high reading", dtype=object)
    residual = singles["residual"].to_numpy(dtype=float)
    cause[residual < 0] = "leak, loose cap or too short exposure"
    wrong = _near(residual, stock_ratios(cylinders), singles["std_error"].to_numpy(dtype=float))
    cause[wrong] = "wrong concentration set"
    visits = sessions[sessions["kind"] == "instrument"]
    if len(visits) and len(singles):
        instrument = table.set_index("row")["instrument_id"].reindex(singles["row"]).to_numpy(dtype=object)
        key = pd.MultiIndex.from_arrays([instrument, singles["time"].dt.floor("D")])
        cause[key.isin(pd.MultiIndex.from_frame(visits.assign(day=visits["time"].dt.floor("D"))[["where", "day"]]))] = (
            "whole instrument low at this visit: leak, cap or flow"
        )
    return cause


def stock_ratios(cylinders: pd.DataFrame | None) -> FloatArray:
    """ln ratios between stock concentrations of a gas (from the cylinders) and usual factors, both signs."""
    found = {float(np.log(f)) for f in STOCK_FACTORS}
    if cylinders is not None and len(cylinders):
        for _, values in cylinders.groupby("gas")["concentration"]:
            stock = np.unique(values[values > 0])
            found |= {float(x) for x in np.log(stock[None, :] / stock[:, None]).ravel() if x > STOCK_LEAST}
    ratios = np.array(sorted(found))
    return np.concatenate([-ratios, ratios])


def _near(value: FloatArray, targets: FloatArray, sd: FloatArray) -> NDArray[np.bool_]:
    """Whether a value is within two standard deviations, and STOCK_TOLERANCE, of one of the targets."""
    if not len(value) or not len(targets):
        return np.zeros(len(value), dtype=bool)
    gap = np.abs(value[:, None] - targets[None, :]).min(axis=1)
    return gap < np.minimum(2 * sd, STOCK_TOLERANCE)


def single_advice(singles: pd.DataFrame) -> NDArray[np.object_]:
    """What to do about each single bad reading."""
    advice = np.full(len(singles), "kept out of the fit: the next reading is back on the path", dtype=object)
    advice[singles["recovered"].isna().to_numpy()] = REPEAT
    wrong = (singles["likely"] == "wrong concentration set").to_numpy()
    advice[wrong] = "check the concentration set in the instrument against the label, and calibrate again"
    return advice


def findings(singles: pd.DataFrame, steps: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Single bad readings, steps, swaps and visits that went wrong, as rows of the findings table."""
    rows = [
        {
            "table": "calibrations", "row": r["row"], "sensor_id": r["sensor_id"], "column": "headroom",
            "value": f"{np.exp(r['residual']):.2f} of what was expected", "finding": "single bad reading",
            "done": "doubted" if r["recovered"] is None else "set aside",
            "reason": f"{r['likely']}; {r['advice']} (probability {r['probability']:.2f})", "time": r["time"],
        }
        for r in singles.to_dict("records")
    ]  # fmt: skip
    rows += [_step_finding(r) for r in steps.to_dict("records")]
    rows += [
        {
            "table": "calibrations", "column": r["kind"], "value": r["where"], "finding": f"{r['kind']} off",
            "done": "doubted", "reason": r["reason"], "count": r["readings"], "time": r["time"],
        }
        for r in sessions[sessions["flagged"].eq(True)].to_dict("records")
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(columns("findings")))
    frame["count"] = frame["count"].fillna(1).astype("int64")
    for name in ("sensor_id", "column", "value"):
        frame[name] = frame[name].fillna("")
    return frame


def _step_finding(row: dict) -> dict:
    """One step or swap as a finding."""
    between = f"between {row['earliest']:%Y-%m-%d} and {row['latest']:%Y-%m-%d}"
    sure = f"probability {row['probability']:.2f}"
    finding, done, reason = {
        "swap": (
            "unrecorded swap",
            "corrected",
            f"the headroom jumps to a new sensor's {between} and ageing starts again: a new life starts here; record "
            f"swaps ({sure})",
        ),
        "down": (
            "step down",
            "kept",
            f"sensitivity fell {between} and stayed: poisoning, over-range or drying; the forecast starts from the new "
            f"level ({sure})",
        ),
        "up": (
            "step up",
            "kept",
            f"sensitivity rose {between} and stayed: cleaning, or a change at the inlet ({sure})",
        ),
    }[row["kind"]]
    return {
        "table": "calibrations", "row": row["first_row"], "sensor_id": row["sensor_id"], "column": "headroom",
        "value": f"{np.exp(row['size']):.2f} of what was before", "finding": finding, "done": done, "reason": reason,
        "time": row["time_after"],
    }  # fmt: skip
