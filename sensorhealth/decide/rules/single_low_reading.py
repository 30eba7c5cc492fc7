"""The last reading is surprisingly low and stands alone: the sensor is not judged by it."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, FloatArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import calibration, soon, swap_planned
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import chance_as_text, days_as_text, sentences


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return facts.handling_doubted


def _confidence(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    return np.where(np.isnan(facts.handling_chance[rows]), 1.0, facts.handling_chance[rows])


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    def write(test: str, chance: str, swap: str) -> str:
        sure = "" if chance == "unknown" else f" (chance {chance})"
        when = f" on {test}" if test else ""
        return (
            f"The last reading{when} is far below this sensor's own path and stands alone{sure}: "
            "cap, flow or gas may be behind it. Repeat it with another cylinder and adapter." + swap
        )

    return sentences(
        write,
        days_as_text(facts.last_test[rows]),
        chance_as_text(facts.handling_chance[rows]),
        swap_planned(ahead, rows),
    )


RULE = Rule(20, "repeat calibration", _applies, _reason, soon, calibration, _confidence)
