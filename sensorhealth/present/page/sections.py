"""The sections of the page and the order in which each reader gets them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from sensorhealth.present import wording
from sensorhealth.present.cautions import CAUTIONS
from sensorhealth.present.charts.budget import whole_fleet
from sensorhealth.present.page import tables
from sensorhealth.present.page.html import element, text

ORDER = {
    "planner": (
        "sensors",
        "visits",
        "runway",
        "warranty",
        "orders",
        "budget",
        "cylinders",
        "lots",
        "track-record",
        "findings",
    ),
    "engineer": (
        "budget",
        "runway",
        "orders",
        "track-record",
        "lots",
        "cylinders",
        "sensors",
        "warranty",
        "visits",
        "findings",
    ),
    "analyst": (
        "lots",
        "cylinders",
        "track-record",
        "findings",
        "runway",
        "sensors",
        "budget",
        "warranty",
        "orders",
        "visits",
    ),
    "technician": (
        "sensors",
        "cylinders",
        "visits",
        "warranty",
        "findings",
        "runway",
        "lots",
        "orders",
        "budget",
        "track-record",
    ),
}
TITLES = {
    "retest": "Test these sensors again",
    "sensors": "Every sensor: what to do and why",
    "visits": "Visits",
    "runway": "How long the fleet still has",
    "warranty": "Tests before the warranty ends",
    "orders": "What to order",
    "budget": "Budget",
    "cylinders": "Cylinders",
    "lots": "Lots",
    "track-record": "How far to trust the forecasts",
    "findings": "What was wrong in the records",
    "cautions": "What this must not be used for",
}
INTRODUCTIONS = {
    "retest": (
        "A cylinder proved weak or strong. Every sensor that still stands adjusted with it is listed. "
        "Adjusted on weak gas a sensor over-reads; adjusted on strong gas it under-reads, which is the dangerous way."
    ),
    "sensors": (
        "The most pressing first. Sort by any column, filter by any word; a sensor's name opens what is known of it, "
        "with its readings and its path."
    ),
    "visits": ("What each visit would take along, so that swaps are done when someone is there anyway."),
    "warranty": (
        "A claim needs a documented failure inside the warranty. These are the sensors worth calibrating on fresh, "
        "verified gas shortly before it ends."
    ),
    "orders": ("What to order and by when, so that it is there when it is needed."),
    "budget": (
        "Replacements and their cost by month. The band counts what sensors share (gas, model, lot), so it is wider "
        "than chance alone would make it. Bands of months must not be added up."
    ),
    "cylinders": ("What each cylinder really held when it was last used, as all sensors read on it say together."),
    "lots": (
        "How fast the lots age, each compared with the others of its technology and gas; the q value allows for the "
        "number of lots compared."
    ),
    "findings": ("Rows in are rows used plus rows set aside: nothing is lost."),
}

EMPTY = {
    "visits": "No visit is planned.",
    "runway": "No sensor has a forecast.",
    "warranty": "No sensor is under a warranty on record that is worth a test.",
    "orders": "Nothing is to be ordered.",
    "budget": "There is no budget: no sensor has a forecast.",
    "cylinders": "No cylinder is recorded with the calibrations, so weak gas cannot be told from weak sensors.",
    "lots": "No lots can be compared: none are recorded, or too few sensors of a kind were read.",
}

LISTS_OF_SENSORS = ("retest", "warranty")
LAST_TEST = tables.column("forecast", "last_gas_test")
SHOWN = {
    "visits": ("site", "visit", "swaps", "tests", "capacity", "expected_cost"),
    "lots": (
        "lot", "technology", "gas", "sensors", "verdict", "ageing_per_year", "ratio_to_rest", "q_value", "start_to_rest",
        "sudden_deaths", "life_years", "extra_cost", "note",
    ),
    "cylinders": (
        "cylinder_id", "gas", "judgement", "bias", "p_off", "p_out_of_tolerance", "sensors", "readings", "last_used", "advice",
    ),
    "budget": (
        "month", "expected_count", "expected_cost", "cumulative_expected_count", "cumulative_expected_cost",
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Table:
    """A table of the page. frame: its rows. shown: its columns."""

    name: str
    caption: str
    frame: pd.DataFrame
    shown: list[tables.Column]


def contract_tables(analysis: Any, track_record: Any = None) -> dict[str, Table]:
    """The page's tables, by section, that come straight from the contract's outputs; empty ones are left out."""
    record = None if track_record is None else track_record.table.sort_values("as_of", na_position="first", kind="stable")
    found = {
        "retest": ("retest", "Sensors to test again", analysis.retest),
        "visits": ("visits", "Visits", analysis.visits),
        "warranty": ("warranty", "Tests before the warranty ends", analysis.warranty),
        "orders": ("orders", "Orders", analysis.orders),
        "budget": ("budget", "Budget by month", whole_fleet(analysis.budget)),
        "cylinders": ("cylinder_effects", "Cylinders, those to act on and last used first", _pressing(analysis.cylinders)),
        "lots": ("lots", "Lots", analysis.lots_table),
        "track-record": ("track_record", "Track record on these records' own past", record),
        "findings": ("findings", "Findings", analysis.findings),
    }
    made = {}
    for section, (contract, caption, frame) in found.items():
        if frame is None or not len(frame):
            continue
        if section == "visits" and "capacity" in frame and not frame["capacity"].notna().any():
            frame = frame.drop(columns="capacity")  # nothing is limited: an empty column only takes room on narrow screens
        shown = tables.columns(contract, frame, SHOWN.get(section))
        if section in LISTS_OF_SENSORS and "last_gas_test" not in frame:
            tests = analysis.forecast[["sensor_id", "last_gas_test"]]
            frame, shown = frame.merge(tests, on="sensor_id", how="left"), [*shown, LAST_TEST]
        shown = with_currency(shown, analysis.policy.currency)
        made[section] = Table(section, caption, frame.reset_index(drop=True), shown)
    return made


def _pressing(cylinders: pd.DataFrame) -> pd.DataFrame:
    """The cylinders, flagged ones first, among them those that were used last."""
    order = [name for name in ("flagged", "last_used") if name in cylinders]
    return cylinders.sort_values(order, ascending=False, kind="stable")


def with_currency(shown: list[tables.Column], currency: str) -> list[tables.Column]:
    """The columns with the currency in the headings of those that are money."""
    return [replace(c, label=f"{c.label}, {currency}") if c.money else c for c in shown]


def section(name: str, inside: str) -> str:
    """A section of the page with its heading and, where there is something to show, what it is about."""
    introduction = INTRODUCTIONS.get(name, "") if inside else ""
    inside = inside or element("p", text(EMPTY.get(name, "Nothing to show here.")), class_="quiet")
    lead = element("p", text(introduction), class_="lead") if introduction else ""
    return element(
        "section",
        element("h2", text(TITLES[name]), id=f"{name}-title") + lead + inside,
        id=name,
        aria_labelledby=f"{name}-title",
    )


def cautions() -> str:
    """The section of cautions; it is the last for every reader, and its core stands on the first screen too."""
    return section("cautions", element("ol", "".join(element("li", text(caution)) for caution in CAUTIONS)))


def records(analysis: Any) -> str:
    """Reconciliation of rows and what the records lack."""
    balance = analysis.fleet.reconciliation
    kinds = analysis.findings.groupby(["finding", "done"], as_index=False).size()
    kinds = kinds.sort_values("size", ascending=False, kind="stable")
    rows = "".join(
        f"<tr><th scope='row'>{text(row['table'])}</th>"
        + "".join(f'<td class="right">{wording.number(row[key])}</td>' for key in ("rows_in", "rows_used", "rows_set_aside"))
        + "</tr>"
        for row in balance.to_dict("records")
    )
    head = "".join(f'<th scope="col">{name}</th>' for name in ("table", "rows in", "used", "set aside"))
    notes = "".join(element("li", text(note)) for note in notes_together(analysis.notes, analysis.lives["stratum"].unique()))
    lacking = f"<h3>What the records lack, and how forecasts allow for it</h3><ul>{notes}</ul>" if notes else ""
    table = f"<caption>Rows in = used + set aside</caption><thead><tr>{head}</tr></thead><tbody>{rows}</tbody>"
    return f'<div class="beside"><table class="small">{table}</table>{_kinds(kinds)}</div>{lacking}'


def notes_together(notes: Sequence[str], kinds: Sequence[str]) -> list[str]:
    """The notes, those that say the same of several kinds of sensors in one; their numbers of readings stand in brackets."""
    found: dict[str, list[str]] = {}
    for note in notes:
        kind, colon, said = note.partition(": ")
        own = bool(colon) and kind in kinds
        counted = re.fullmatch(r"(\d+) (readings .*)", said) if own else None
        if counted:
            found.setdefault(counted[2], []).append(f"{kind} ({counted[1]})")
        else:
            found.setdefault(said if own else note, []).extend([kind] if own else [])
    return [f"{', '.join(of)}: {said}" if of else said for said, of in found.items()]


def _kinds(kinds: pd.DataFrame) -> str:
    """How many findings there are of each kind, and what was done about them."""
    rows = "".join(
        f'<tr><th scope="row">{text(finding or "for other reasons")}</th><td>{text(done)}</td>'
        f'<td class="right">{wording.number(n)}</td></tr>'
        for finding, done, n in kinds.itertuples(index=False)
    )
    head = '<th scope="col">finding</th><th scope="col">done</th><th scope="col" class="right">how many</th>'
    caption = "<caption>Findings by kind; a single bad reading is left out of the fit, its row still counts as used</caption>"
    return f'<table class="small">{caption}<thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>' if rows else ""
