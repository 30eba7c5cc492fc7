"""Zeros that drift and responses that slow, as rows of the findings table."""

from __future__ import annotations

import pandas as pd

from sensorhealth.nomenclature import columns


def trend_findings(zero_drift: pd.DataFrame, response_times: pd.DataFrame) -> pd.DataFrame:
    """One row for each life whose zero drifts or whose response slows, with the reason in words.

    zero_drift, response_times: as from the functions of these names. A drift that reaches the limit of the zero, where one is
    set, has its date in the reason.
    """
    drifting = zero_drift[zero_drift["drifting"].astype(bool)]
    slowing = response_times[response_times["slowing"].astype(bool)]
    rows = [
        _row(r, "zero_offset", f"{r['drift_per_year']:+.3g} {r['unit']} a year", "zero drifts")
        for r in drifting.to_dict("records")
    ]
    rows += [_row(r, "response_seconds", f"{r['last_seconds']:.3g} s", "response slows") for r in slowing.to_dict("records")]
    frame = pd.DataFrame(rows, columns=list(columns("findings")))
    return frame.astype({"count": "int64"}) if len(frame) else frame


def _row(row: dict, column: str, value: str, finding: str) -> dict:
    return {
        "table": "calibrations", "sensor_id": row["sensor_id"], "column": column, "value": value, "finding": finding,
        "done": "kept", "reason": row["reason"], "count": row["zeros" if column == "zero_offset" else "readings"],
        "time": row["last"],
    }  # fmt: skip
