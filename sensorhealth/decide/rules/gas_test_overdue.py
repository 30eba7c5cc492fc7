"""The policy's interval for gas tests has passed: test it."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import calibration, calibration_overdue, sure, swap_planned, today
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import days_as_text, sentences


def _bump_overdue(facts: Situation) -> BoolArray:
    return facts.policy.bump_tests_recorded & (facts.days_since(facts.last_test) > facts.policy.bump_interval_days)


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return calibration_overdue(facts) | _bump_overdue(facts)


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    policy = facts.policy

    def write(late: bool, calibrated: str, tested: str, swap: str) -> str:
        if late:
            text = (
                f"The last calibration with gas was on {calibrated}, longer ago than the "
                f"{policy.calibration_interval_days} days that the policy states: calibrate it with gas."
            )
        else:
            text = (
                f"The last gas test was on {tested}, longer ago than the {policy.bump_interval_days} days between "
                "bump tests that the policy states: test it with gas before it is used."
            )
        return text + swap

    late = calibration_overdue(facts)[rows]
    return sentences(
        write,
        late,
        np.where(late, days_as_text(facts.last_calibration[rows]), ""),
        np.where(late, "", days_as_text(facts.last_test[rows])),
        swap_planned(ahead, rows),
    )


RULE = Rule(70, "test with gas", _applies, _reason, today, calibration, sure)
