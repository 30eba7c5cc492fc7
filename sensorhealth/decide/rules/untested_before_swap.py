"""A swap is due by what is assumed of a sensor that nobody has looked at for long: a gas test costs less than the swap."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, FloatArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import calibration, calibration_overdue, limit_days, sure, today
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import chance_as_text, days_as_text, sentences


def _unread(facts: Situation) -> BoolArray:
    return facts.readings_used == 0


def _ending(ahead: Outlook) -> FloatArray:
    """Chance (n,) of ending before the visit that a swap now, or at the first visit, is not to wait for."""
    return np.where(ahead.too_late, ahead.p_first, ahead.p_next)


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    old = np.isnat(facts.last_calibration) | calibration_overdue(facts)
    saved = (1.0 - _ending(ahead)) * (facts.unit_cost + facts.policy.swap_cost)
    due = ahead.too_late | (ahead.swap_date == ahead.first_visit)
    return due & (old | _unread(facts)) & (saved > facts.policy.calibration_cost)


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    def write(chance: str, visit: str, unread: bool, calibrated: str) -> str:
        if unread:
            why = "that rests on other sensors, or on what is assumed of its technology: no reading of its own was used"
        elif calibrated:
            why = f"its last calibration, on {calibrated}, is longer ago than the {limit_days(facts)} days that the policy states"
        else:
            why = "no calibration of it is in the records"
        return (
            f"The chance of ending before the visit on {visit} is {chance}, but {why}. Calibrate it with gas first, with a new "
            "sensor at hand: the swap, which plan and budget reckon with, may not be needed."
        )

    return sentences(
        write,
        chance_as_text(_ending(ahead)[rows]),
        days_as_text(np.where(ahead.too_late, ahead.first_visit, ahead.second_visit)[rows]),
        _unread(facts)[rows],
        days_as_text(facts.last_calibration[rows]),
    )


RULE = Rule(35, "test with gas", _applies, _reason, today, calibration, sure)
