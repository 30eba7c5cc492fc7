"""The first screen: six questions, each answered in a figure and a sentence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from sensorhealth.present.charts.budget import budget_data
from sensorhealth.present.page import sensors
from sensorhealth.present.page.html import element, text
from sensorhealth.present.wording import count, date, money, number, span

UNTRIED = "Such forecasts were not tried on your own past records here: sensorhealth track-record does that."


@dataclass(frozen=True)
class Answer:
    """One answer. question: what is asked. figure: the short answer. sentences: what stands behind it. section:
    where."""

    question: str
    figure: str
    sentences: tuple[str, ...]
    section: str

    def html(self) -> str:
        inside = element("h2", text(self.question)) + element("p", text(self.figure), class_="figure")
        inside += "".join(element("p", text(sentence)) for sentence in self.sentences)
        return element("section", inside + f'<p><a href="#{self.section}">more</a></p>', class_="answer")


def answers(analysis: Any, listed: pd.DataFrame, track_record: Any = None) -> list[Answer]:
    """The six answers for `analysis`; listed: the sensor list; track_record: the back-test, where it was run."""
    return [
        how_many(listed, analysis.policy.calibration_interval_days, sensors_set_aside(analysis)),
        when(analysis, listed),
        how_much(analysis),
        how_sure(listed, track_record),
        which_cylinders(analysis),
        what_was_wrong(analysis),
    ]


def sensors_set_aside(analysis: Any) -> int:
    """Rows of the table of sensors that could not be used."""
    balance = analysis.fleet.reconciliation
    return int(balance.loc[balance["table"] == "sensors", "rows_set_aside"].sum())


def how_many(listed: pd.DataFrame, recent_days: float, set_aside: int = 0) -> Answer:
    """How many sensors need something, by action, and for how many nobody knows whether they respond.

    set_aside: rows of the table of sensors that could not be used, of which nothing else is said on the page.
    """
    alive = sensors.in_service(listed)
    needing = alive[~alive["action"].isin(sensors.NEEDS_NOTHING)]
    by_action = [
        f"{action}: {number((needing['action'] == action).sum())}"
        for action in sensors.URGENCY
        if (needing["action"] == action).any()
    ]
    unknown = int(alive["gas_test"].str.startswith("unknown").sum())
    lost = (
        f"; {count(set_aside, 'row')} of the table of sensors could not be used, and nothing is said of those"
        if set_aside
        else ""
    )
    sentences = [f"of {count(len(alive), 'sensor')} in service{lost}."]
    if by_action:
        sentences.append("; ".join(by_action).capitalize() + ".")
    if unknown:
        without = f"{count(unknown, 'sensor')} without a passed gas test in the last {recent_days:.0f} days"
        sentences.append(f"{without}: unknown, not good.")
    elif len(alive):
        sentences.append(f"Every sensor not listed as failed passed a gas test in the last {recent_days:.0f} days.")
    return Answer("How many sensors need something?", number(len(needing)), tuple(sentences), "sensors")


def when(analysis: Any, listed: pd.DataFrame) -> Answer:
    """What falls due at once and within 30, 90 and 365 days, and the next visits."""
    due = (pd.to_datetime(listed["due"]) - analysis.as_of).dt.days[~listed["action"].isin(sensors.NEEDS_NOTHING)]
    now = int((due <= 0).sum())
    counts = {days: int((due <= days).sum()) for days in (30, 90, 365)}
    within = "; ".join(f"within {days} days: {number(n)}" for days, n in counts.items() if n < len(due) or days == 30)
    sentences = [f"due on {date(analysis.as_of)} or before.", f"Due {within}.", *next_visits(analysis)]
    return Answer("When?", number(now) + " now", tuple(sentences), "visits")


def next_visits(analysis: Any) -> list[str]:
    """What the next three days with visits take along, one sentence each."""
    work = analysis.visits[["site", "visit", "swaps", "tests"]].fillna({"swaps": 0, "tests": 0})
    coming = work[(pd.to_datetime(work["visit"]) >= analysis.as_of) & (work["swaps"] + work["tests"] > 0)]
    days = coming.groupby("visit").agg(swaps=("swaps", "sum"), tests=("tests", "sum"), sites=("site", "size"))
    said = []
    for day, row in days.head(3).iterrows():
        parts = [count(int(row[what]), word) for what, word in (("swaps", "swap"), ("tests", "gas test")) if row[what]]
        said.append(f"{date(day)}: {' and '.join(parts)} at {count(int(row['sites']), 'site')}.")
    return said


def how_much(analysis: Any) -> Answer:
    """Expected cost of the next twelve months with its band, and what is to be ordered soon."""
    question, currency = "How much money?", analysis.policy.currency
    year, replaced = (budget_data(analysis.budget, quantity).head(12) for quantity in ("cost", "count"))
    if not len(year):
        return Answer(question, "unknown", ("There is no budget: no sensor has a forecast.",), "budget")
    last = year.iloc[-1]
    months = f"{count(len(year), 'month')} from {date(year['month'].iloc[0])[:7]} on"
    sentences = [f"expected for {months}, for {number(replaced['until_expected'].iloc[-1])} replacements."]
    if pd.notna(last["until_p10"]):
        band = f"{money(last['until_p10'], currency)} to {money(last['until_p90'], currency)}"
        sentences.append(f"In eight cases of ten: {band}.")
    orders = analysis.orders
    if len(orders):
        soon = orders[pd.to_datetime(orders["order_by"]) <= analysis.as_of + pd.Timedelta(days=30)]
        ordered = f"{count(int(soon['quantity'].sum()), 'sensor')}, {money(soon['cost'].sum(), currency)}"
        sentences.append(f"To order within 30 days: {ordered}.")
    return Answer(question, money(last["until_expected"], currency), tuple(sentences), "budget")


def how_sure(listed: pd.DataFrame, track_record: Any) -> Answer:
    """The back-test's own sentence where it was run; in any case, how wide the intervals are and who has none."""
    alive = sensors.in_service(listed)
    own, group = int((alive["status"] == "forecast").sum()), int((alive["status"] == "group forecast").sum())
    none, ended = (int((alive["status"] == status).sum()) for status in ("no forecast", "at end"))
    at_end = f"; at their end: {number(ended)}" if ended else ""
    basis = f"Forecast from own readings: {number(own)}; from others of their kind: {number(group)}{at_end}"
    basis += f"; no forecast: {number(none)}."
    known = alive[alive["status"].isin(["forecast", "group forecast"]) & alive["rul_days_p50"].notna()]
    if not len(known):
        return Answer("How sure?", "unknown", ("No sensor has a forecast.", basis), "track-record")
    middle = known.iloc[(known["rul_days_p50"] - known["rul_days_p50"].median()).abs().argmin()]
    capped = bool(middle["horizon_capped"])
    wide = between(span(middle["rul_days_p05"]), span(middle["rul_days_p95"], capped))
    median = span(middle["rul_days_p50"], capped and middle["rul_days_p50"] >= middle["rul_days_p95"])
    sentences = [
        f"is what the fleet's middle sensor still has, with 9 chances in 10 (median {median}).",
        getattr(track_record, "sentence", "") or UNTRIED,
        basis,
    ]
    return Answer("How sure?", wide, tuple(sentences), "track-record")


def between(low: str, high: str) -> str:
    """ "2 months" and "3 months" as "2 to 3 months"; other units are kept."""
    number, unit = low.rsplit(" ", 1)
    return f"{number} to {high}" if high.endswith(unit) and not high.startswith("more") else f"{low} to {high}"


def which_cylinders(analysis: Any) -> Answer:
    """Cylinders held to be weak or strong, and how many sensors are to be tested again for it."""
    table = analysis.cylinders
    question = "Which cylinders to doubt?"
    if not len(table):
        return Answer(
            question,
            "unknown",
            ("No cylinder is recorded, so weak gas cannot be told from weak sensors.",),
            "cylinders",
        )
    flagged = table[table["flagged"].fillna(False).astype(bool)]
    if not len(flagged):
        return Answer(question, "none proven", (f"of {count(len(table), 'cylinder')} judged.",), "cylinders")
    again = analysis.retest["sensor_id"].nunique()
    sentences = (*named(flagged, analysis), f"{count(again, 'sensor')} adjusted with them to be tested again.")
    return Answer(question, f"{number(len(flagged))} of {number(len(table))}", sentences, "cylinders")


def named(flagged: pd.DataFrame, analysis: Any, most: int = 6) -> list[str]:
    """Which of the flagged cylinders may still be in use, the last used first."""
    days = analysis.policy.calibration_interval_days
    if "last_used" in flagged:
        flagged = flagged.sort_values("last_used", ascending=False, kind="stable")
        recent = flagged[flagged["last_used"] >= analysis.as_of - pd.Timedelta(days=days)]
        lead = f"Used in the last {days:.0f} days: "
        if recent.empty:
            return [f"None of them was used in the last {days:.0f} days."]
    else:
        recent, lead = flagged, ""
    shown = ", ".join(
        f"{row['cylinder_id']} ({row['gas']}, {row['direction'] or 'off'})" for row in recent.head(most).to_dict("records")
    )
    return [f"{lead}{shown}{f' and {len(recent) - most} more' if len(recent) > most else ''}."]


def what_was_wrong(analysis: Any) -> Answer:
    """Rows set aside, corrected and doubted; rows in are rows used and rows set aside."""
    balance = analysis.fleet.reconciliation
    aside = int(balance["rows_set_aside"].sum())
    sentences = [f"of {number(balance['rows_in'].sum())} rows set aside; {number(balance['rows_used'].sum())} used."]
    for done in ("corrected", "doubted", "kept"):
        rows = analysis.findings[analysis.findings["done"] == done]
        if len(rows):
            names = rows["finding"].value_counts().head(2).index.tolist()
            sentences.append(f"{done.capitalize()}: {count(len(rows), 'finding')}, mostly {' and '.join(names)}.")
    return Answer("What was wrong in the records?", number(aside), tuple(sentences), "findings")
