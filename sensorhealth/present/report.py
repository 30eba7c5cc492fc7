"""The report: one HTML file that opens offline and answers the planner's questions on its first screen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sensorhealth.present import wording
from sensorhealth.present.cautions import SHORT
from sensorhealth.present.page import headline, html, pictures, sections, sensors, tables
from sensorhealth.present.page.sections import Table

AUDIENCES = tuple(sections.ORDER)
SCRIPTS = ("format.js", "table.js", "path.js", "sensor.js", "start.js")


def report_html(
    analysis: Any, audience: str = "planner", track_record: Any = None, drawn: Mapping[str, str] | None = None
) -> str:
    """The whole report as the text of one HTML file.

    analysis: the result of `sensorhealth.analyse`. audience: planner, engineer, analyst or technician; it orders the
    sections. track_record: the result of `analysis.track_record()`, where the back-test is to be shown. drawn: the pictures
    of this analysis where they are drawn already. The same input gives the same text. Raises ValueError for another audience.
    """
    if audience not in AUDIENCES:
        raise ValueError(f"audience is one of {', '.join(AUDIENCES)}, not {audience!r}")
    listed = sensors.sensor_list(analysis)
    shown = sections.contract_tables(analysis, track_record)
    shown["sensors"] = Table("sensors", "Sensors", sensors.worded(listed), sensors.list_columns(listed))
    more = sections.with_currency(sensors.page_columns(listed), analysis.policy.currency)
    shapes = {**(pictures.pictures(analysis) if drawn is None else drawn), **pictures.of_track_record(track_record)}
    order = (("retest",) if "retest" in shown else ()) + sections.ORDER[audience]
    body = "".join(_section(name, shown, shapes, analysis, track_record) for name in order)
    packed = {name: tables.pack(table.frame, table.shown) for name, table in shown.items()}
    stores = html.data("tables", packed) + html.data("more", tables.pack(sensors.worded(listed), more))
    stores += html.data(
        "paths", sensors.paths(analysis, listed) | {"asOf": _day(analysis.as_of), "end": 1 + analysis.policy.margin}
    )
    answers = "".join(answer.html() for answer in headline.answers(analysis, listed, track_record))
    return _page(analysis, order, answers, body + sections.cautions(), stores)


def _day(when: Any) -> int:
    return int(when.to_datetime64().astype("datetime64[D]").astype("int64"))


def _section(name: str, shown: dict[str, Table], drawn: dict[str, str], analysis: Any, track_record: Any) -> str:
    inside = drawn.get(name, "")
    if name == "findings":
        inside += sections.records(analysis)
    if name == "track-record":
        said = getattr(track_record, "sentence", "") or headline.UNTRIED
        inside += "".join(html.element("p", html.text(words)) for words in (said, *getattr(track_record, "notes", ())) if words)
    if name in shown:
        table = shown[name]
        inside += tables.static(name, table.caption, table.frame, table.shown)
    return sections.section(name, inside)


def _page(analysis: Any, order: tuple[str, ...], answers: str, body: str, stores: str) -> str:
    style, script = html.asset("page.css"), html.asset(*SCRIPTS)
    policy = f"default-src 'none'; style-src 'unsafe-inline'; img-src data:; script-src {html.digest(script)}"
    links = "".join(f'<li><a href="#{name}">{html.text(sections.TITLES[name])}</a></li>' for name in (*order, "cautions"))
    source, day = html.text(analysis.fleet.source), f"<time>{wording.date(analysis.as_of)}</time>"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{html.text(policy)}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark">'
        f"<title>Sensor health on {wording.date(analysis.as_of)}</title><style>{style}</style></head><body>"
        '<a class="skip" href="#answers">Skip to the answers</a>'
        f"<header><h1>Sensor health on {day}</h1>"
        f'<p class="quiet">Records: {source}. Nothing after {day} was read.</p></header>'
        f'<main id="report"><div id="answers" class="answers" tabindex="-1">{answers}</div>'
        f'<p class="caution"><strong>Caution.</strong> {html.text(SHORT)} <a href="#cautions">All cautions</a></p>'
        f'<nav aria-label="Sections"><ul>{links}</ul></nav>{body}</main>'
        '<main id="sensor" tabindex="-1" hidden></main>'
        f'<div id="said" role="status" aria-live="polite" class="unseen"></div>{stores}'
        f"<script>{script}</script></body></html>\n"
    )
