"""Nothing calls for more than the tests that are due anyway."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, DateArray, FloatArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import calibration_due, nothing, swap_planned
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import chance_as_text, days_as_text, sentences


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return np.ones(facts.size, dtype=bool)


def _due(facts: Situation, ahead: Outlook, rows: IntArray) -> DateArray:
    return calibration_due(facts, rows)


def _confidence(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    return 1.0 - ahead.p_first[rows]


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    accepted = f"{100 * facts.policy.risk:g} %"

    def write(chance: str, visit: str, tested: str, due: str, no_remedy: bool, swap: str) -> str:
        tests = f" Last gas test {tested}; next calibration due by {due}, bump tests as required."
        if chance == "unknown":
            return f"No forecast for this sensor: its gas tests alone speak.{tests}{swap}"
        text = f"The chance of ending before the next visit on {visit} is {chance}."
        if no_remedy:
            text = (
                f"The chance of ending between visits ({chance} before {visit}) is above the accepted {accepted}, but "
                "a new sensor would do no better: more frequent visits or another kind of sensor is for a competent "
                "person to decide."
            )
        return text + tests + swap

    return sentences(
        write,
        chance_as_text(ahead.p_first[rows]),
        days_as_text(ahead.first_visit[rows]),
        days_as_text(facts.last_test[rows]),
        days_as_text(_due(facts, ahead, rows)),
        ahead.no_remedy[rows],
        swap_planned(ahead, rows),
    )


RULE = Rule(100, "keep", _applies, _reason, _due, nothing, _confidence)
