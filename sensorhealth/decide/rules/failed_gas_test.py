"""The last gas test was failed: out of service, whatever a forecast says."""

from __future__ import annotations

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import new_sensor, sure, today
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import days_as_text, sentences


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    return facts.last_outcome == "fail"


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    def write(test: str, gas: bool, handling: bool, cylinder: str, swap: str) -> str:
        on = f" on {test}" if test else ""
        text = f"Failed its last gas test{on}: out of service until it has passed one."
        if gas:
            text += f" The gas of that test (cylinder {cylinder or 'not recorded'}) is doubted:"
            text += " no replacement and no claim before it has been repeated on verified gas."
        elif handling:
            text += " The reading stands alone and may be handling: repeat it before the sensor is replaced."
        else:
            text += " Repeat it once on a second cylinder; if it fails again, replace the sensor."
        return text + (f" Place for its replacement is kept on {swap}." if swap else " No visit has room for its replacement.")

    return sentences(
        write,
        days_as_text(facts.last_test[rows]),
        facts.gas_doubted[rows],
        facts.handling_doubted[rows],
        facts.last_cylinder[rows],
        days_as_text(ahead.swap_date[rows]),
    )


RULE = Rule(10, "out of service", _applies, _reason, today, new_sensor, sure)
