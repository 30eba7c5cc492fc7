"""The zero drifts toward what the instrument can take out: zero it in clean air before it gets there."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, DateArray, FloatArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import calibration, calibration_due, swap_planned
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import days_as_text, sentences

CHANCE = 0.05  # that the limit has been reached by Situation.zero_end


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return facts.in_service & (facts.zero_end <= ahead.second_visit)


def _due(facts: Situation, ahead: Outlook, rows: IntArray) -> DateArray:
    return np.minimum(np.maximum(facts.zero_end[rows], facts.as_of), calibration_due(facts, rows))


def _confidence(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    return np.full(rows.size, CHANCE)


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    def write(end: str, due: str, past: bool, swap: str) -> str:
        text = "may be by now" if past else f"may be from {end} on"
        return (
            f"The zero of this sensor moves, and {text} past what the policy says its instrument can take out (chance "
            f"{100 * CHANCE:g} % or more). Calibrate it in clean air and with gas by {due}; a sensor whose zero cannot be set is "
            f"out of service.{swap}"
        )

    return sentences(
        write,
        days_as_text(facts.zero_end[rows]),
        days_as_text(_due(facts, ahead, rows)),
        facts.zero_end[rows] <= facts.as_of,
        swap_planned(ahead, rows),
    )


RULE = Rule(90, "test with gas", _applies, _reason, _due, calibration, _confidence)
