"""Even the first visit is too late for the accepted risk: swap now."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, FloatArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import new_sensor, today, warranty_at_swap
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import chance_as_text, days_as_text, sentences


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return ahead.too_late


def _cost(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    return new_sensor(facts, ahead, rows) + facts.policy.visit_cost


def _confidence(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    return ahead.p_first[rows]


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    accepted = f"{100 * facts.policy.risk:g} %"

    def write(chance: str, visit: str, warranty: str) -> str:
        return (
            f"The chance of ending before the next visit on {visit} is {chance}, above the accepted {accepted}; "
            "that visit is too late. Swap it on a visit of its own, or let a competent person decide."
        ) + warranty_at_swap(warranty)

    covered = np.where(facts.warranty_end >= facts.as_of, facts.warranty_end, np.datetime64("NaT", "D"))[rows]
    return sentences(write, chance_as_text(ahead.p_first[rows]), days_as_text(ahead.first_visit[rows]), days_as_text(covered))


RULE = Rule(40, "swap now", _applies, _reason, today, _cost, _confidence)
