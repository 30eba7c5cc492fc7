"""The folder that a run writes: every table as CSV, the report, the workbook, the calendar."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from sensorhealth.nomenclature import columns
from sensorhealth.records.outputs import csv_content
from sensorhealth.second_core import MANY, alongside

Files = dict[str, bytes | Callable[[Path], None]]


@dataclass(frozen=True)
class Parts:
    """What of a report follows from an analysis alone, whatever its past teaches: most of the work of writing one."""

    analysis: Any
    plan: Files
    pictures: dict[str, str]


def parts_of(analysis: Any) -> Parts:
    """Make them."""
    from sensorhealth.present.page.pictures import pictures

    with alongside(lambda: plan_files(analysis), worth=len(analysis.forecast) < MANY) as plan:
        drawn = pictures(analysis)
        return Parts(analysis, plan(), drawn)


def report_files(analysis: Any, audience: str = "planner", track_record: Any = None, parts: Parts | None = None) -> Files:
    """Name -> content of everything that `report` writes; parts: where they are made already, of this analysis or another."""
    from sensorhealth.present.report import report_html

    if parts is None or parts.analysis is not analysis:
        parts = parts_of(analysis)
    page = report_html(analysis, audience, track_record, parts.pictures)
    files: Files = {
        "forecast.csv": csv_content(analysis.forecast),
        "lots.csv": csv_content(analysis.lots_table),
        "cylinders.csv": csv_content(analysis.cylinders),
        "retest.csv": csv_content(analysis.retest),
        "zero_drift.csv": csv_content(analysis.zero_drift),
        "response_times.csv": csv_content(analysis.response_times),
        "findings.csv": csv_content(analysis.findings),
        "report.html": page.encode("utf-8"),
        **parts.plan,
    }
    empty = pd.DataFrame(columns=list(columns("track_record")))
    files["track_record.csv"] = csv_content(empty if track_record is None else track_record.table)
    return files


def track_record_files(track_record: Any) -> Files:
    """Name -> content of what `track-record` writes: the measures, every forecast beside its outcome, the picture."""
    from sensorhealth.present import gallery, style

    return {
        "track_record.csv": csv_content(track_record.table),
        "forecasts_and_outcomes.csv": csv_content(track_record.forecasts),
        "next_readings.csv": csv_content(track_record.readings),
        "reliability.csv": csv_content(track_record.reliability),
        "track_record.png": style.png(gallery.chance_and_outcome(track_record)),
    }


def plan_files(analysis: Any) -> Files:
    """Name -> content of what `plan` writes."""
    from sensorhealth.present.calendar import calendar_bytes
    from sensorhealth.present.workbook import workbook_bytes

    return {
        "plan.csv": csv_content(analysis.plan),
        "visits.csv": csv_content(analysis.visits),
        "orders.csv": csv_content(analysis.orders),
        "warranty.csv": csv_content(analysis.warranty),
        "warranty_evidence.html": analysis.evidence().encode("utf-8"),
        "budget.csv": csv_content(analysis.budget),
        "schemes.csv": csv_content(analysis.schemes),
        "plan.xlsx": workbook_bytes(analysis),
        "visits.ics": calendar_bytes(analysis),
    }
