"""The report is one file that answers first, hides nothing and lets no text become markup."""

from __future__ import annotations

import json
import re
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from sensorhealth.present.cautions import CAUTIONS, SHORT
from sensorhealth.present.page import headline, html, sections, sensors
from sensorhealth.present.report import AUDIENCES, report_html
from sensorhealth.present.summary import said, summary_lines

HOSTILE = "</script><img src=x onerror=alert(1)>\u2028'\"&<!--"


def store(page: str, name: str) -> dict:
    """The data that the page carries under `name`, as a browser reads it: up to the first end of a script element."""
    start = page.index(f'id="{name}">') + len(f'id="{name}">')
    return json.loads(page[start : page.index("</script", start)])


@pytest.fixture(scope="module")
def page(analysis: SimpleNamespace) -> str:
    return report_html(analysis)


def test_same_input_gives_the_same_bytes(analysis: SimpleNamespace, page: str) -> None:
    assert report_html(analysis) == page


def test_first_screen_answers_the_six_questions(page: str) -> None:
    first = page[: page.index("<nav")]
    for question in (
        "How many sensors need something?",
        "When?",
        "How much money?",
        "How sure?",
        "Which cylinders",
        "What was wrong",
    ):
        assert question in first
    assert SHORT[:40] in first


def test_sensors_to_test_again_come_before_everything_else_for_every_reader(analysis: SimpleNamespace) -> None:
    for audience in AUDIENCES:
        shown = re.findall(r'<section id="([a-z-]+)"', report_html(analysis, audience))
        assert shown[0] == "retest"
        assert tuple(shown[1:-1]) == sections.ORDER[audience]
        assert shown[-1] == "cautions"


def test_every_reader_gets_every_section() -> None:
    assert {frozenset(order) for order in sections.ORDER.values()} == {frozenset(sections.ORDER["planner"])}


def test_unknown_audience_is_refused(analysis: SimpleNamespace) -> None:
    with pytest.raises(ValueError, match="planner, engineer, analyst, technician"):
        report_html(analysis, "manager")


def test_all_cautions_are_printed(page: str) -> None:
    for caution in CAUTIONS:
        assert html.text(caution) in page


def test_no_sensor_disappears(analysis: SimpleNamespace, page: str) -> None:
    listed = store(page, "tables")["sensors"]
    assert sorted(listed["data"]["sensor_id"]) == sorted(analysis.forecast["sensor_id"])


def test_rows_in_are_rows_used_and_set_aside(page: str) -> None:
    assert "Rows in = used + set aside" in page
    assert '<th scope="row">calibrations</th><td class="right">701</td><td class="right">700</td>' in page.replace("'", '"')


def test_nothing_outside_the_file_is_asked_for(page: str) -> None:
    text = re.sub(r"xmlns(:\w+)?=\"[^\"]+\"", "", page)
    assert not re.findall(r"(?:src|href|action|data)\s*=\s*[\"'](?!#)", text)
    assert "url(http" not in text and "@import" not in text and "fetch(" not in text
    assert "default-src &#x27;none&#x27;" in page


def test_hostile_text_stays_text(analysis: SimpleNamespace) -> None:
    fleet = SimpleNamespace(**vars(analysis.fleet))
    fleet.source = HOSTILE
    hostile = SimpleNamespace(**vars(analysis))
    hostile.fleet, hostile.notes = fleet, (HOSTILE,)
    hostile.plan = analysis.plan.assign(reason=HOSTILE)
    hostile.findings = analysis.findings.assign(value=HOSTILE)
    hostile.lots_table = analysis.lots_table.assign(lot=["$x_{", HOSTILE, "\x00\x1b", "ガス"])
    page = report_html(hostile)
    assert "<img" not in page and "\u2028" not in "".join(re.findall(r"<script.*?</script>", page, re.DOTALL))
    assert page.count("<script") == page.count("</script>") == 4
    assert store(page, "tables")["findings"]["data"]["value"] == [HOSTILE, HOSTILE]


def test_characters_no_page_can_hold_are_replaced() -> None:
    assert html.text("a\x00b\ud800c") == "a\ufffdb\ufffdc"
    html.data("x", "\ud800").encode()


def test_gas_test_is_unknown_unless_it_passed_recently() -> None:
    as_of = pd.Timestamp("2026-03-31")
    frame = pd.DataFrame(
        {
            "as_of": as_of,
            "last_gas_test": [as_of, as_of - pd.Timedelta(days=400), pd.NaT, as_of, as_of, as_of],
            "last_gas_test_outcome": ["pass", "pass", "", "fail", "unknown", "aborted"],
        }
    )
    state = sensors.gas_test_state(frame, 180).tolist()
    assert state[0] == "passed" and state[3] == "failed"
    assert all(text.startswith("unknown") for text in [state[1], state[2], state[4], state[5]])


def test_empty_outputs_still_make_a_page(analysis: SimpleNamespace) -> None:
    bare = SimpleNamespace(**vars(analysis))
    for name in ("budget", "orders", "visits", "warranty", "lots_table", "cylinders", "retest", "findings"):
        setattr(bare, name, getattr(analysis, name).iloc[:0])
    bare.readings = analysis.readings.iloc[:0]
    bare.forecast = analysis.forecast.assign(status="no forecast", rul_days_p50=float("nan"))
    page = report_html(bare)
    assert "no forecast" in page and 'id="retest"' not in page
    for name in ("orders", "visits", "warranty", "lots"):  # each says in its own words that there is nothing, and nothing else
        assert sections.EMPTY[name] in page
        assert sections.INTRODUCTIONS[name] not in page


def test_sensors_that_could_not_be_read_are_named_on_the_first_screen(analysis: SimpleNamespace) -> None:
    listed = sensors.sensor_list(analysis)
    passed = listed.assign(gas_test="passed")
    assert not any("could not be used" in text or "unknown" in text for text in headline.how_many(passed, 180.0).sentences)
    assert "3 rows of the table of sensors could not be used" in headline.how_many(listed, 180.0, set_aside=3).sentences[0]


def test_notes_that_say_the_same_of_several_kinds_are_one() -> None:
    notes = [
        "electrochemical CO: 7 readings name no cylinder",
        "no temperatures: they stay in the noise",
        "infrared CO2: 12 readings name no cylinder",
        "infrared CO2: one lot only",
    ]
    kinds = ["electrochemical CO", "infrared CO2"]
    assert sections.notes_together(notes, kinds) == [
        "electrochemical CO (7), infrared CO2 (12): readings name no cylinder",
        "no temperatures: they stay in the noise",
        "infrared CO2: one lot only",
    ]


def test_paths_are_packed_within_the_limit(analysis: SimpleNamespace) -> None:
    listed = sensors.sensor_list(analysis)
    whole = sensors.paths(analysis, listed)
    assert sum(whole["counts"]) == len(analysis.readings) + len(analysis.oddities.single_readings)
    few = sensors.paths(analysis, listed, limit=40)
    assert sum(few["counts"]) <= 40 and few["at"] == whole["at"][: len(few["at"])]


def test_single_bad_readings_are_shown_as_left_out(analysis: SimpleNamespace) -> None:
    odd = sensors.left_out(analysis)
    assert odd["censoring"].tolist() == [sensors.LEFT_OUT]
    assert odd["log_ratio"].item() == pytest.approx(np.log(1.2))


def test_each_list_of_sensors_shows_the_last_gas_test(page: str) -> None:
    for name, table in store(page, "tables").items():
        if any(column["link"] for column in table["columns"]) and name != "findings":
            assert "last_gas_test" in table["data"], name


def test_no_sensor_in_service_is_missing_from_the_count_of_forecasts(analysis: SimpleNamespace) -> None:
    listed = sensors.sensor_list(analysis)
    sentence = next(part for part in headline.how_sure(listed, None).sentences if part.startswith("Forecast from"))
    assert "at their end: 1" in sentence
    assert sum(map(int, re.findall(r": (\d+)", sentence))) == len(sensors.in_service(listed))


def test_a_summary_line_goes_on_from_its_figure_or_begins_a_sentence(analysis: SimpleNamespace) -> None:
    for line in summary_lines(analysis):
        answer = re.split(r" {2,}", line, maxsplit=1)[1]
        assert not re.search(r"^(now |at |unknown )?[\d ]+( of [\d ]+)? [A-Z][a-z]", answer), answer
    weak = headline.Answer("Which?", "2 of 9", ("Used lately: C1 and C2.", "None to be tested again."), "cylinders")
    goes_on = headline.Answer("How many?", "2", ("of 9 sensors.",), "sensors")
    assert said(weak) == "2 of 9. Used lately: C1 and C2. None to be tested again." and said(goes_on) == "2 of 9 sensors."


def test_a_median_beyond_the_horizon_is_told_as_more_than_it() -> None:
    row = {"status": "forecast", "action": "keep", "rul_days_p05": 900.0, "rul_days_p95": 3650.0, "horizon_capped": True}
    near, far = (pd.DataFrame([row | {"rul_days_p50": days}]) for days in (2000.0, 3650.0))
    assert "(median 5.5 years)" in headline.how_sure(near, None).sentences[0]
    assert "(median more than 10.0 years)" in headline.how_sure(far, None).sentences[0]
