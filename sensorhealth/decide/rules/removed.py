"""Not in service: nothing to do."""

from __future__ import annotations

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import never, nothing, sure
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import sentences


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return ~facts.in_service


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    return sentences(lambda status: f"Nothing to do: the sensor is {status}.", facts.status[rows])


RULE = Rule(0, "none", _applies, _reason, never, nothing, sure)
