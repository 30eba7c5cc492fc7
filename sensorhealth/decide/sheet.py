"""The evidence sheet of a sensor, ready to print: its readings, the gas they were made with, its path, its forecast.

A warranty claim usually needs the calibration record; this page lays it out and says what speaks against a claim. All
text of the records is escaped.
"""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.sheet_picture import path_picture
from sensorhealth.decide.texts import chance_as_text
from sensorhealth.decide.warranty import claim_value, claim_window, warranty_list

MOST = 200
_STYLE = (
    "body{font:11pt/1.4 sans-serif;margin:2em;color:#111}section{break-after:page}h1{font-size:16pt}h2{font-size:12pt;"
    "margin:1em 0 .3em}table{border-collapse:collapse;font-size:9pt}th,td{border:1px solid #999;padding:.15em .5em;"
    "text-align:left;vertical-align:top}td.number{text-align:right}td:first-child{white-space:nowrap}thead{display:table-header-group}tr{break-inside:avoid}"
    "th{background:#eee}svg{max-width:100%}.wide{overflow-x:auto}td{font-variant-numeric:tabular-nums}"
    ".caution{border:2px solid #111;padding:.5em}@page{size:A4;margin:15mm}"
)
_CAUTION = (
    "A forecast is not a proof of function and no proof of a defect. A claim rests on a documented failure on verified gas "
    "inside the warranty, and on the terms of its contract. A sensor that fails a gas test is out of service."
)
_TEXTS = {"date": "Date", "kind": "Kind", "cylinder_id": "Cylinder", "gas_until": "Gas valid until", "gas_note": "Gas",
          "applied": "Applied", "as_found": "As found", "as_left": "As left", "zero_offset": "Zero offset",
          "ratio": "Headroom ratio", "outcome": "Outcome", "technician": "By", "temperature_c": "Temperature (°C)"}  # fmt: skip
_FROM = {"forecast": "own readings", "group forecast": "others of its kind", "no forecast": "none", "at end": "at its end"}
_TERMS = {"free": "a new sensor", "pro-rata": "for the part of the warranty that is left"}


def evidence_sheets(
    fleet_plan: FleetPlan,
    fleet: Any,
    readings: pd.DataFrame,
    sensor_ids: Sequence[str],
    *,
    paths: pd.DataFrame | None = None,
    cylinders: pd.DataFrame | None = None,
) -> str:
    """One HTML page with a sheet per sensor of `sensor_ids`, each on paper of its own, the first MOST of them.

    fleet: its tables `sensors`, `calibrations`, `cylinders`. readings: row, log_ratio, censoring (from the health
    room). paths: sensor_id, time, mean, sd_latent (ln headroom ratio): the path as estimated, past and future.
    cylinders: what was found about the gas (nomenclature cylinder_effects). Raises KeyError for a sensor that is not
    in the plan.
    """
    position = {name: row for row, name in enumerate(fleet_plan.facts.sensor_id)}
    listed = warranty_list(fleet_plan.facts, fleet_plan.ahead.leaves).set_index("sensor_id")["advice"].to_dict()
    kinds = {name: str(fleet_plan.facts.kind[position[name]]) for name in sensor_ids[:MOST]}
    records, none = calibration_records(fleet, readings, kinds, cylinders)
    body = "".join(
        _sheet(fleet_plan, fleet, records.get(name, none), position[name], listed.get(name), paths) for name in sensor_ids[:MOST]
    )
    title = f"Evidence on {fleet_plan.facts.as_of}"
    if not len(sensor_ids):
        body = f"<h1>{title}</h1><p>No sensor is worth a test for the sake of its warranty.</p>"
    elif len(sensor_ids) > MOST:
        body = f"<section><h1>{title}</h1><p>The first {MOST} of {len(sensor_ids)} sensors.</p></section>{body}"
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"<style>{_STYLE}</style></head><body>{body}</body></html>\n"
    )


def _sheet(
    fleet_plan: FleetPlan,
    fleet: Any,
    record: pd.DataFrame,
    row: int,
    advice: str | None,
    paths: pd.DataFrame | None,
) -> str:
    """The sheet of one sensor; record: as of `calibration_records`; advice: of the warranty list, None where it is not on it."""
    facts, name = fleet_plan.facts, str(fleet_plan.facts.sensor_id[row])
    reason = str(fleet_plan.actions["reason"].iloc[row])
    forecast = fleet_plan.forecast.iloc[row]
    path = None if paths is None else paths[paths["sensor_id"] == name].sort_values("time")
    parts = [
        f"<h1>Sensor {_safe(name)}: evidence on {facts.as_of}</h1>",
        _facts_table(_identity(fleet_plan, fleet, name, row)),
        f"<h2>Advice</h2><p>{_safe(advice or 'Not on the warranty list.')} {_safe(reason)}</p>",
        "<h2>Headroom and its path</h2>",
        path_picture(record, path, facts.as_of, facts.warranty_end[row], fleet_plan.policy.margin),
        "<h2>Forecast</h2>",
        _facts_table(_forecast(forecast)),
        f"<h2>Calibration record ({len(record)} rows)</h2>",
        _record_table(record),
        f'<p class="caution">{_safe(_CAUTION)}</p>',
    ]
    return f"<section>{''.join(parts)}</section>"


def calibration_records(
    fleet: Any, readings: pd.DataFrame, kinds: Mapping[str, str], cylinders: pd.DataFrame | None
) -> tuple[dict[str, pd.DataFrame], pd.DataFrame]:
    """Every calibration of each sensor of `kinds` (its kind by its name) with its headroom ratio and what is known of its gas, by
    time; and the same table without a row, for sensors that have none."""
    record = fleet.calibrations[fleet.calibrations["sensor_id"].isin(list(kinds))].sort_values("time", kind="stable")
    known = readings.drop_duplicates("row").set_index("row") if len(readings) else pd.DataFrame({"log_ratio": []})
    row = record["row"] if "row" in record else pd.Series(-1, index=record.index)
    record = record.assign(
        date=record["time"],
        log_ratio=known["log_ratio"].reindex(row).to_numpy(dtype=float),
        censoring=known["censoring"].reindex(row).to_numpy(dtype=float) if "censoring" in known else 0.0,
    )
    signs = {-1.0: "at most ", 1.0: "at least "}
    record["ratio"] = [
        "" if np.isnan(value) else f"{signs.get(side, '')}{np.exp(value):.2f}"
        for value, side in zip(record["log_ratio"], record["censoring"])
    ]
    bottles = getattr(fleet, "cylinders", pd.DataFrame())
    until = pd.Series(pd.NaT, index=record.index)
    if len(bottles) and "expires" in bottles:
        dates = bottles.drop_duplicates("cylinder_id").set_index("cylinder_id")["expires"]
        until = record["cylinder_id"].map(dates)
    record["gas_until"] = until
    record["gas_note"] = np.where(until < record["time"], "expired", "")
    if cylinders is not None and len(cylinders):
        flagged = cylinders[cylinders["flagged"].astype(bool)]
        odd = set(zip(flagged["gas"].astype(str), flagged["cylinder_id"].astype(str)))
        gas = record["sensor_id"].map({name: kind.rpartition(" ")[2] for name, kind in kinds.items()})
        doubted = [pair in odd for pair in zip(gas, record["cylinder_id"].astype(str))]
        record["gas_note"] = np.where(doubted, "doubted", record["gas_note"])
    each = record.groupby("sensor_id", observed=True)
    return {str(name): part.reset_index(drop=True) for name, part in each}, record.iloc[:0]


def _identity(fleet_plan: FleetPlan, fleet: Any, name: str, row: int) -> dict[str, Any]:
    """What the sensor is."""
    facts = fleet_plan.facts
    sensor = fleet.sensors[fleet.sensors["sensor_id"] == name].iloc[-1]
    start, by = claim_window(facts)
    found = {
        "Kind": facts.kind[row], "Site": facts.site[row], "Instrument": sensor.get("instrument_id", ""),
        "Lot": facts.lot[row], "Supplier": sensor.get("supplier", ""), "Model": facts.model[row],
        "Made": _day(sensor.get("manufactured", pd.NaT)), "Installed": _day(facts.installed[row]),
        "Warranty until": _day(facts.warranty_end[row]), "Test from": _day(start[row]), "Test and give notice by": _day(by[row]),
        "Value of a claim": f"{claim_value(facts)[row]:.0f} {facts.policy.currency} ({_TERMS[facts.policy.warranty_terms]})",
        "Last gas test": f"{_day(facts.last_test[row])} {facts.last_outcome[row]}".strip(),
        "Unit of the readings": sensor.get("unit", ""),
    }  # fmt: skip
    if np.isnat(facts.warranty_end[row]):
        del found["Value of a claim"]
    return {key: value for key, value in found.items() if value}


def _forecast(row: pd.Series) -> dict[str, Any]:
    """The forecast of the sensor, in words and numbers."""
    shown = {
        "Headroom ratio now (5 %, median, 95 %)": ("{:.2f}", "headroom_ratio_p05", "headroom_ratio", "headroom_ratio_p95"),
        "Remaining useful life in days (10 %, median, 90 %)": ("{:.0f}", "rul_days_p10", "rul_days_p50", "rul_days_p90"),
        "Readings used": ("{:.0f}", "readings_used"),
    }
    status = str(row.get("status", ""))
    found: dict[str, Any] = {"Forecast from": _FROM.get(status, status)}
    chance = chance_as_text(np.array([row.get("p_end_before_warranty_end", np.nan)], dtype=float))[0]
    if chance != "unknown":
        found["Chance of ending before the warranty does"] = chance
    for title, (form, *names) in shown.items():
        values = [row.get(name, np.nan) for name in names]
        if not all(pd.isna(value) for value in values):
            found[title] = ", ".join("unknown" if pd.isna(value) else form.format(float(value)) for value in values)
    return found


def _facts_table(facts: dict[str, Any]) -> str:
    rows = "".join(f'<tr><th scope="row">{_safe(key)}</th><td>{_safe(value)}</td></tr>' for key, value in facts.items())
    return f"<table>{rows}</table>"


def _record_table(record: pd.DataFrame) -> str:
    """The record as a table; columns without a value are left out."""
    names = [name for name in _TEXTS if name in record and record[name].notna().any() and (record[name] != "").any()]
    head = "".join(f'<th scope="col">{_TEXTS[name]}</th>' for name in names)
    lines = []
    for values in zip(*(record[name] for name in names)):
        cells = "".join(_cell(value, name) for name, value in zip(names, values))
        lines.append(f"<tr>{cells}</tr>")
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{"".join(lines)}</tbody></table></div>'


def _cell(value: Any, name: str) -> str:
    if isinstance(value, float) and not np.isnan(value):
        return f'<td class="number">{value:.4g}</td>'
    if name == "ratio":
        return f'<td class="number">{_safe(value)}</td>'
    return f"<td>{_safe(_day(value) if isinstance(value, pd.Timestamp) else value)}</td>"


def _day(value: Any) -> str:
    """A date, "" for none."""
    return "" if pd.isna(value) else f"{pd.Timestamp(value):%Y-%m-%d}"


def _safe(value: Any) -> str:
    """Text of the records, escaped; "" for missing."""
    missing = value is None or (not isinstance(value, str) and pd.isna(value))
    return "" if missing else html.escape(str(value))
