"""The folder that a run writes: every table as CSV, the report, the workbook, the calendar."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from sensorhealth.records.outputs import csv_bytes

Files = dict[str, bytes | Callable[[Path], None]]


def report_files(analysis: Any, audience: str = "planner", track_record: Any = None) -> Files:
    """Name -> content of everything that `report` writes."""
    from sensorhealth.present.report import report_html

    files: Files = {
        "forecast.csv": csv_bytes(analysis.forecast),
        "lots.csv": csv_bytes(analysis.lots_table),
        "cylinders.csv": csv_bytes(analysis.cylinders),
        "retest.csv": csv_bytes(analysis.retest),
        "zero_drift.csv": csv_bytes(analysis.zero_drift),
        "response_times.csv": csv_bytes(analysis.response_times),
        "findings.csv": csv_bytes(analysis.findings),
        "report.html": report_html(analysis, audience, track_record).encode("utf-8"),
        **plan_files(analysis),
    }
    if track_record is not None:
        files["track_record.csv"] = csv_bytes(track_record.table)
    return files


def plan_files(analysis: Any) -> Files:
    """Name -> content of what `plan` writes."""
    from sensorhealth.present.calendar import calendar_bytes
    from sensorhealth.present.workbook import workbook_bytes

    return {
        "plan.csv": csv_bytes(analysis.plan),
        "visits.csv": csv_bytes(analysis.visits),
        "orders.csv": csv_bytes(analysis.orders),
        "warranty.csv": csv_bytes(analysis.warranty),
        "budget.csv": csv_bytes(analysis.budget),
        "plan.xlsx": workbook_bytes(analysis),
        "visits.ics": calendar_bytes(analysis),
    }
