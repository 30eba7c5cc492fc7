"""The calendar file: what a parser of the standard reads back, stable and folded."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from icalendar import Calendar

from sensorhealth.present.calendar import calendar_bytes, escaped, folded

sys.path.insert(0, str(Path(__file__).resolve().parent))
from plan_builders import AS_OF, planned


@pytest.fixture(scope="module")
def analysis() -> SimpleNamespace:
    return planned(first_visit_days=20)


def test_parser_reads_one_whole_day_entry_per_visit(analysis: SimpleNamespace) -> None:
    calendar = Calendar.from_ical(calendar_bytes(analysis))
    assert calendar["VERSION"] == "2.0"
    events = calendar.walk("VEVENT")
    assert len(events) == len(analysis.visits)
    for event, row in zip(events, analysis.visits.itertuples()):
        assert not event.errors
        assert event["DTSTART"].dt == row.visit.date()
        assert event["DTEND"].dt == row.visit.date() + dt.timedelta(days=1)
        assert event["DTSTAMP"].dt == dt.datetime(2026, 3, 31, tzinfo=dt.UTC)
        assert str(event["LOCATION"]) == row.site
        assert "not a proof of function" in str(event["DESCRIPTION"])


def test_entry_names_every_sensor_to_swap(analysis: SimpleNamespace) -> None:
    events = Calendar.from_ical(calendar_bytes(analysis)).walk("VEVENT")
    plan = analysis.plan
    named = {event["DTSTART"].dt: str(event["DESCRIPTION"]) for event in events}
    assert (plan["action"] == "swap now").any()
    for row in plan.itertuples():
        if row.action == "swap now":
            assert row.sensor_id in named[AS_OF.date()]
        elif row.swap_visit == row.swap_visit:
            assert row.sensor_id in named[row.swap_visit.date()]


def test_identities_are_distinct_and_the_same_in_every_run(analysis: SimpleNamespace) -> None:
    first, second = calendar_bytes(analysis), calendar_bytes(analysis)
    assert first == second
    uids = [str(event["UID"]) for event in Calendar.from_ical(first).walk("VEVENT")]
    assert len(set(uids)) == len(uids)
    smaller = SimpleNamespace(**{**vars(analysis), "visits": analysis.visits.tail(1)})
    assert str(Calendar.from_ical(calendar_bytes(smaller)).walk("VEVENT")[0]["UID"]) == uids[-1]


def test_lines_end_and_fold_as_the_standard_says() -> None:
    content = calendar_bytes(planned(site="Bohrinsel Ö, Süd; \\ 3\nDeck"))
    assert content.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in content.replace(b"\r\n", b"")
    assert max(len(line) for line in content.split(b"\r\n")) <= 75
    event = Calendar.from_ical(content).walk("VEVENT")[0]
    assert str(event["LOCATION"]) == "Bohrinsel Ö, Süd; \\ 3\nDeck"


@given(st.text(max_size=300))
def test_any_text_survives_folding_and_is_free_of_controls(text: str) -> None:
    value = escaped(text)
    assert not any(character < " " for character in value)
    pieces = folded("SUMMARY:" + value)
    assert pieces.replace(b"\r\n ", b"")[:-2].decode("utf-8") == "SUMMARY:" + value
    assert all(len(piece) <= 75 for piece in pieces.split(b"\r\n"))


def test_plan_without_visits_is_still_a_valid_calendar(analysis: SimpleNamespace) -> None:
    nothing = SimpleNamespace(**{**vars(analysis), "visits": analysis.visits.head(0)})
    events = Calendar.from_ical(calendar_bytes(nothing)).walk("VEVENT")
    assert [str(event["SUMMARY"]) for event in events] == ["No sensor visit is planned"]
