"""Nothing tells that the sensor responds to gas: no test, or none with a clear outcome."""

from __future__ import annotations

import numpy as np

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.rules import BoolArray, IntArray, ObjectArray, Rule
from sensorhealth.decide.rules._common import calibration, sure, swap_planned, today
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import days_as_text, sentences


def _applies(facts: Situation, ahead: Outlook) -> BoolArray:
    unclear = (facts.last_outcome != "pass") & ~((facts.last_outcome == "unknown") & (facts.readings_used > 0))
    return np.isnat(facts.last_test) | np.isnat(facts.last_calibration) | unclear


def _reason(facts: Situation, ahead: Outlook, rows: IntArray) -> ObjectArray:
    def write(tested: str, calibrated: bool, outcome: str, swap: str) -> str:
        if not tested:
            text = "No gas test of this sensor is in the records: its state is unknown. Test it with gas."
        elif not calibrated:
            text = f"Only a bump test on {tested} is in the records, no calibration: its state is unknown."
            text += " Calibrate it with gas."
        elif outcome == "aborted":
            text = f"The last gas test on {tested} was aborted, which is neither pass nor fail. Test it with gas."
        else:
            text = f"The last gas test on {tested} has no outcome and no reading: its state is unknown. Test it with gas."
        return text + swap

    return sentences(
        write,
        days_as_text(facts.last_test[rows]),
        ~np.isnat(facts.last_calibration[rows]),
        facts.last_outcome[rows],
        swap_planned(ahead, rows),
    )


RULE = Rule(80, "test with gas", _applies, _reason, today, calibration, sure)
