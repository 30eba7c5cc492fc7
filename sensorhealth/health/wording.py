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
MOST_GAS = 0.25
AIR = "contaminated air"
DIRTY_ZERO = "the zero before it was set in contaminated air"
REPEAT = (
    "only reading so far: repeat the calibration, on a second cylinder within its date, before anything is replaced; a "
    "sensor that failed stays out of service until it passes"
)
GONE = (
    "low once and taken out of service before it was repeated: if the sensor is still at hand, test it again before it "
    "is scrapped"
)
CANNOT_TELL = (
    "a step down or a leak at the bench, which one reading cannot tell; repeat a failed test before a sensor is scrapped"
)
ENDED = {
    "died": "it left no value any more: the sensor died at once, or lost all that was left",
    "one reading": CANNOT_TELL,
}


def likely_cause(
    singles: pd.DataFrame,
    table: pd.DataFrame,
    sessions: pd.DataFrame,
    cylinders: pd.DataFrame | None,
    zeros: pd.DataFrame | None = None,
) -> NDArray[np.object_]:
    """What each single bad reading looks like: a zero set in contaminated air, a whole instrument low, a wrong
    concentration set, gas that was not recorded, or a leak.

    table: readings with instrument and time by row; sessions: as judged; cylinders: for the ratios of stock values;
    zeros: as from `zero_events`.
    """
    cause = np.full(len(singles), "one high reading", dtype=object)
    residual = singles["residual"].to_numpy(dtype=float)
    cause[residual < 0] = "leak, loose cap or too short exposure"
    blank = (singles["cylinder"] == "").to_numpy() & (np.abs(residual) < MOST_GAS)
    cause[blank & (residual < 0)] = "leak or loose cap, or weak gas: the cylinder is not recorded"
    wrong = _near(residual, stock_ratios(cylinders), singles["std_error"].to_numpy(dtype=float))
    cause[wrong] = "wrong concentration set"
    visits = sessions[sessions["kind"] == "instrument"]
    if len(visits) and len(singles):
        instrument = table.set_index("row")["instrument_id"].reindex(singles["row"]).to_numpy(dtype=object)
        key = pd.MultiIndex.from_arrays([instrument, singles["time"].dt.floor("D")])
        cause[key.isin(pd.MultiIndex.from_frame(visits.assign(day=visits["time"].dt.floor("D"))[["where", "day"]]))] = (
            "whole instrument low at this visit: leak, cap or flow"
        )
    if zeros is not None and len(zeros):
        shift = zeros.dropna(subset=["next_row", "ratio_shift"]).groupby("next_row")["ratio_shift"].sum()
        expected = shift.reindex(singles["row"]).to_numpy(dtype=float)
        with np.errstate(invalid="ignore"):
            cause[np.abs(residual - expected) < np.maximum(np.abs(expected) / 2, STOCK_TOLERANCE)] = DIRTY_ZERO
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


def sure(probability: float) -> str:
    """A probability for people, never quite 0 or 1: "probability 97 %", "probability above 99 %"."""
    whole = "above 99" if probability > 0.99 else "below 1" if probability < 0.01 else f"{100 * probability:.0f}"
    return f"probability {whole} %"


def counted(number: int, one: str) -> str:
    """ "1 reading", "2 readings"."""
    return f"{number} {one}{'' if number == 1 else 's'}"


def single_advice(singles: pd.DataFrame) -> NDArray[np.object_]:
    """What to do about each single bad reading."""
    advice = np.full(len(singles), "kept out of the fit: the next reading is back on the path", dtype=object)
    advice[singles["recovered"].isna().to_numpy()] = REPEAT
    advice[(singles["recovered"].isna() & singles["over"].astype(bool)).to_numpy()] = GONE
    wrong = (singles["likely"] == "wrong concentration set").to_numpy()
    advice[wrong] = "check the concentration set in the instrument against the label, and calibrate again"
    dirty = (singles["likely"] == DIRTY_ZERO).to_numpy()
    advice[dirty] = "zero again in air known to be clean, then span again"
    return advice


def findings(
    singles: pd.DataFrame,
    steps: pd.DataFrame,
    ends: pd.DataFrame,
    sessions: pd.DataFrame,
    zeros: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Single bad readings, steps, swaps, ends between two readings, visits and zeros that went wrong, as rows of the findings
    table; a step that ended its sensor stands there once, as a step, and the quick end of a used-up sensor is no finding."""
    rows = [
        {
            "table": "calibrations", "row": r["row"], "sensor_id": r["sensor_id"], "column": "headroom",
            "value": f"{np.exp(r['residual']):.2f} of what was expected", "finding": "single bad reading",
            "done": "doubted" if r["recovered"] is None else "set aside",
            "reason": f"{r['likely']}; {r['advice']} ({sure(r['probability'])})", "time": r["time"],
        }
        for r in singles.to_dict("records")
    ]  # fmt: skip
    rows += [_step_finding(r) for r in steps.to_dict("records")]
    rows += [_end_finding(r) for r in ends[ends["how"].isin(list(ENDED))].to_dict("records")]
    rows += [
        {
            "table": "calibrations", "column": r["kind"], "value": r["where"], "finding": f"{r['kind']} off",
            "done": "doubted", "reason": r["reason"], "count": r["readings"], "time": r["time"],
        }
        for r in sessions[sessions["flagged"].eq(True)].to_dict("records")
    ]  # fmt: skip
    rows += [
        {
            "table": "calibrations", "row": r["row"], "sensor_id": r["sensor_id"], "column": "zero_offset",
            "value": f"{r['size']:+.3g} {r['unit']}", "finding": "zero in contaminated air" if r["kind"] == AIR else r["kind"],
            "done": "kept", "reason": f"{r['reason']} ({sure(r['probability'])})", "time": r["time"],
        }
        for r in ([] if zeros is None else zeros.to_dict("records"))
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=list(columns("findings")))
    frame["count"] = frame["count"].fillna(1).astype("int64")
    for name in ("sensor_id", "column", "value"):
        frame[name] = frame[name].astype(object).where(frame[name].notna(), "")
    return frame


def _step_finding(row: dict) -> dict:
    """One step or swap as a finding."""
    between = f"between {row['earliest']:%Y-%m-%d} and {row['latest']:%Y-%m-%d}"
    known = sure(row["probability"])
    finding, done, reason = {
        "swap": (
            "unrecorded swap",
            "corrected",
            f"the headroom jumps to a new sensor's {between} and ageing starts again: a new life starts here; record "
            f"swaps ({known})",
        ),
        "down": (
            "step down",
            "kept",
            f"sensitivity fell {between} and stayed: poisoning, over-range or drying; the forecast starts from the new "
            f"level ({known})",
        ),
        "up": (
            "step up",
            "kept",
            f"sensitivity rose {between} and stayed: cleaning, or a change at the inlet ({known})",
        ),
    }[row["kind"]]
    if row["ended"]:
        reason = (
            f"it ended between two readings: sensitivity fell {between}, at once and below the limit: poisoning, over-range or "
            f"drying, and not wear; it counts as a sudden end ({known})"
        )
    return {
        "table": "calibrations", "row": row["first_row"], "sensor_id": row["sensor_id"], "column": "headroom",
        "value": f"{np.exp(row['size']):.2f} of what was before", "finding": finding, "done": done, "reason": reason,
        "time": row["time_after"],
    }  # fmt: skip


def _end_finding(row: dict) -> dict:
    """One sensor that ended between two readings, for another reason than a step."""
    left = f"{np.exp(row['size']):.2f} of what was before" + (" or less" if row["at_least"] else "")
    reason = (
        f"headroom ratio {row['ratio_before']:.2f} on {row['time_before']:%Y-%m-%d}, the next reading on "
        f"{row['time_after']:%Y-%m-%d}: {ENDED[row['how']]} ({sure(row['probability'])})"
    )
    return {
        "table": "calibrations", "row": row["first_row"], "sensor_id": row["sensor_id"], "column": "headroom", "value": left,
        "finding": "ended between two readings", "done": "kept", "reason": reason, "time": row["time_after"],
    }  # fmt: skip


def cylinder_advice(table: pd.DataFrame) -> list[str]:
    """What to do about each cylinder; columns as `cylinders.judge_cylinders` has them before they are cut."""
    return [_cylinder_advice(row) for row in table.to_dict("records")]


def _cylinder_advice(row: dict) -> str:
    """One line on one cylinder."""
    behind = f"{counted(row['readings'], 'reading')} of {counted(row['sensors'], 'sensor')}"
    bias, low, high = (100 * np.expm1(row[name]) for name in ("bias", "low", "high"))
    size = f"{bias:+.0f} % ({low:+.0f} to {high:+.0f} %)"
    since = f"since {row['first_used']:%Y-%m-%d}" if pd.notna(row["first_used"]) else "since its first use"
    late = " It was used after its date of expiry." if _late(row) else ""
    if row["judgement"] == "cannot tell":
        if row["sensors"] < 3:
            more = "read more sensors on it, or these on another cylinder"
            return f"cannot tell gas from sensor: only {behind}; {more}.{late}"
        return f"cannot tell gas from sensor: these {row['sensors']} sensors were read on no other cylinder.{late}"
    if row["judgement"] == "in order":
        return f"in order: {behind} put it at {size}.{late}"
    if row["judgement"] == "wrong concentration":
        return (
            f"{behind} {since} put it at {np.exp(row['bias']):.2f} of its label, the ratio of two stock concentrations:"
            f" check the label and the concentration set before anything else.{late}"
        )
    weak = row["judgement"] == "weak"
    count = row["low_sensors"] if weak else row["high_sensors"]
    who = f"{count} of {row['sensors']} sensors read {'low' if weak else 'high'} on this cylinder {since}"
    fading = f", fading {-3000 * row['fade_per_day']:.0f} % a month" if row["fade_per_day"] < -3e-4 else ""
    act = (
        "check the gas before ordering sensors, and test again what was adjusted with it (it over-reads)"
        if weak
        else "stop using it: sensors adjusted with it UNDER-read, the dangerous way; test them again first"
    )
    still = " (within its stated tolerance of {:.0f} %)".format(100 * row["tolerance"]) if row["p_out_of_tolerance"] < 0.5 else ""
    return f"{who}; {behind} put it at {size}{still}{fading}: {act}.{late}"


def _late(row: dict) -> bool:
    """Whether the cylinder was used after its date of expiry."""
    return bool(pd.notna(row.get("expires")) and pd.notna(row["last_used"]) and row["last_used"] > row["expires"])
