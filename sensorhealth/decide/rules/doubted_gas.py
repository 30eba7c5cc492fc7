"""The last gas test was done on gas that is doubted: check the gas before the sensor."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, FloatArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import calibration, soon, swap_planned
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import days_as_text, sentences

_EFFECT = {
    "weak": " An instrument adjusted on weak gas over-reads.",
    "strong": " An instrument adjusted on strong gas UNDER-reads, the dangerous way.",
}


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return facts.gas_doubted


def _confidence(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    return np.where(np.isnan(facts.gas_chance[rows]), 1.0, facts.gas_chance[rows])


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    def write(test: str, cylinder: str, way: str, swap: str) -> str:
        gas = f"cylinder {cylinder}" if cylinder else "a cylinder that was not recorded"
        held = f"held to be {way}" if way else "doubted"
        return (
            f"The last gas test{' on ' + test if test else ''} was done on {gas}, which is {held}. "
            "Check that gas and test the sensor again on another, verified cylinder."
            f"{_EFFECT.get(way, '')}{swap}"
        )

    return sentences(
        write,
        days_as_text(facts.last_test[rows]),
        facts.last_cylinder[rows],
        facts.gas_words[rows],
        swap_planned(ahead, rows),
    )


RULE = Rule(30, "check gas", _applies, _reason, soon, calibration, _confidence)
