"""Small invented fleets for tests about shape and error; numbers with a source are checked elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from sensorhealth.nomenclature import columns


@dataclass(frozen=True)
class Tables:
    """The three tables of the contract."""

    sensors: pd.DataFrame
    calibrations: pd.DataFrame
    cylinders: pd.DataFrame


def _typed(table: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows)
    out: dict[str, Any] = {}
    for name, column in columns(table).items():
        values = frame[name] if name in frame else pd.Series([None] * len(rows), dtype=object)
        if column.type in ("time", "date"):
            out[name] = pd.to_datetime(values)
        elif column.type in ("number", "integer"):
            out[name] = pd.to_numeric(values).astype(float)
        else:
            out[name] = values.astype(object).where(values.notna(), "")
    typed = pd.DataFrame(out)
    typed["row"] = range(1, len(typed) + 1)
    return typed


def tables(
    sensors: list[dict[str, Any]], calibrations: list[dict[str, Any]], cylinders: list[dict[str, Any]] | None = None
) -> Tables:
    """A fleet from rows; what a row leaves out gets an ordinary value."""
    usual_sensor = {
        "gas": "CO", "technology": "electrochemical", "installed": "2022-01-01", "unit": "ppm", "site": "north",
        "lot": "L1", "gain_limit": 3.0,
    }  # fmt: skip
    usual_calibration = {"sensor_id": "a", "kind": "full", "applied": 100.0, "outcome": "pass", "technician": "t1"}
    calibration_rows = [usual_calibration | row for row in calibrations]
    calibration_frame = _typed("calibrations", calibration_rows)
    return Tables(
        _typed("sensors", [usual_sensor | row for row in sensors]),
        calibration_frame.sort_values(["sensor_id", "time", "row"], ignore_index=True),
        _typed("cylinders", [{"gas": "CO", "concentration": 100.0} | row for row in cylinders or []]),
    )
