"""The warranty ends soon and the sensor may not outlive it: test it on fresh gas while a claim can still be made."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, DateArray, FloatArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import calibration, calibration_due, swap_planned
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import chance_as_text, days_as_text, sentences
from sensorhealth.decide.warranty import claim_window, worth_testing


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    start, end = claim_window(facts)
    return worth_testing(facts) & (facts.as_of <= end) & (start <= ahead.first_visit)


def _due(facts: Situation, ahead: Outlook, rows: IntArray) -> DateArray:
    due = claim_window(facts)[1][rows]
    calibrated = calibration_due(facts, rows)
    return np.where(calibrated > facts.as_of, np.minimum(due, calibrated), due)


def _confidence(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    return facts.p_warranty[rows]


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    start, end = claim_window(facts)

    def write(chance: str, warranty: str, begin: str, by: str, swap: str) -> str:
        return (
            f"Chance {chance} of ending before its warranty does on {warranty}. Calibrate it on fresh, verified gas "
            f"between {begin} and {by}: a claim needs a documented failure.{swap}"
        )

    return sentences(
        write,
        chance_as_text(facts.p_warranty[rows]),
        days_as_text(facts.warranty_end[rows]),
        days_as_text(np.maximum(start, facts.as_of)[rows]),
        days_as_text(end[rows]),
        swap_planned(ahead, rows),
    )


RULE = Rule(60, "test before warranty ends", _applies, _reason, _due, calibration, _confidence)
