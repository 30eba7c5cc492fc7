"""The swap belongs on the next visit: later it would be past the accepted risk, or cost more than it saves."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, DateArray, FloatArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import new_sensor, warranty_at_swap
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import chance_as_text, days_as_text, sentences

_NEVER = np.datetime64("NaT", "D")


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return ahead.swap_date == ahead.first_visit


def _due(facts: Situation, ahead: Outlook, rows: IntArray) -> DateArray:
    return ahead.swap_date[rows]


def _confidence(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    return ahead.p_next[rows]


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    accepted = f"{100 * facts.policy.risk:g} %"

    def write(visit: str, following: str, chance: str, above: bool, alone: str, warranty: str) -> str:
        text = f"Left in at the visit on {visit}, the chance of ending before the following one on {following} is {chance}"
        if above:
            text += f", above the accepted {accepted}."
        elif alone:
            text += f". By itself it would be swapped about {alone}; on this visit it saves a visit of its own."
        else:
            text += "; an end in service would cost more than the life that a swap now gives up."
        return text + warranty_at_swap(warranty)

    covered = np.where(facts.warranty_end >= ahead.swap_date, facts.warranty_end, _NEVER)[rows]
    return sentences(
        write,
        days_as_text(ahead.first_visit[rows]),
        days_as_text(ahead.second_visit[rows]),
        chance_as_text(ahead.p_interval[rows]),
        ahead.p_interval[rows] > facts.policy.risk,
        days_as_text(np.where(ahead.best_date >= ahead.second_visit, ahead.best_date, _NEVER)[rows]),
        days_as_text(covered),
    )


RULE = Rule(50, "swap at visit", _applies, _reason, _due, new_sensor, _confidence)
