"""The last lines on standard output: what a planner can act on."""

from __future__ import annotations

from typing import Any

from sensorhealth.present.page import headline, sensors


def summary_lines(analysis: Any, track_record: Any = None) -> list[str]:
    """Six answers, one line each, the same as on the first screen of the report."""
    listed = sensors.sensor_list(analysis)
    width = max(len(answer.question) for answer in headline.answers(analysis, listed, track_record))
    return [f"{answer.question:<{width}}  {said(answer)}" for answer in headline.answers(analysis, listed, track_record)]


def said(answer: headline.Answer) -> str:
    """The figure and two sentences; a first sentence that does not go on from the figure stands by itself."""
    goes_on = not answer.sentences[0][:1].isupper()
    return f"{answer.figure}{'' if goes_on else '.'} " + " ".join(answer.sentences[:2])
