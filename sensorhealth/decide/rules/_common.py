"""Dates, costs and words that several rules share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import days_as_text, sentences

BoolArray = NDArray[np.bool_]
DateArray = NDArray[np.datetime64]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
ObjectArray = NDArray[np.object_]


def today(facts: Situation, ahead: Outlook, rows: IntArray) -> DateArray:
    """At once: the as-of date."""
    return np.full(rows.size, facts.as_of)


def soon(facts: Situation, ahead: Outlook, rows: IntArray) -> DateArray:
    """Within the days in which doubt is to be settled."""
    return np.full(rows.size, facts.as_of + np.timedelta64(facts.policy.repeat_within_days, "D"))


def never(facts: Situation, ahead: Outlook, rows: IntArray) -> DateArray:
    """No date."""
    return np.full(rows.size, np.datetime64("NaT", "D"))


def nothing(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    """No cost."""
    return np.zeros(rows.size)


def calibration(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    """The cost of one extra calibration."""
    return np.full(rows.size, facts.policy.calibration_cost)


def new_sensor(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    """The cost of a new sensor and its swap."""
    return facts.unit_cost[rows] + facts.policy.swap_cost


def sure(facts: Situation, ahead: Outlook, rows: IntArray) -> FloatArray:
    """Certain."""
    return np.ones(rows.size)


def limit_days(facts: Situation) -> int:
    """Longest time since the last calibration that the policy allows."""
    return facts.policy.calibration_interval_days


def calibration_overdue(facts: Situation) -> BoolArray:
    """Whether the last calibration (n,) is longer ago than the policy allows; not where none is known."""
    return facts.days_since(facts.last_calibration) > limit_days(facts)


def calibration_due(facts: Situation, rows: IntArray) -> DateArray:
    """Day by which the next calibration is due, never before the as-of date; the as-of date where none is known."""
    due = facts.last_calibration[rows] + np.timedelta64(limit_days(facts), "D")
    return np.where(np.isnat(due), facts.as_of, np.maximum(due, facts.as_of))


def swap_planned(ahead: Outlook, rows: IntArray) -> ObjectArray:
    """A sentence (k,) on the planned swap, "" where none is planned or needed; one that is past its accepted risk says so."""

    def write(date: str, latest: str, late: bool) -> str:
        if not date:
            return f" Its swap is due by {latest}, but no visit has room for it." if late else ""
        if late:
            return f" Its swap is due by {latest}; the first visit with room for it is on {date}, past its accepted risk."
        return f" A swap is planned on {date}."

    swap, latest = ahead.swap_date[rows], ahead.latest_date[rows]
    late = ~np.isnat(latest) & ~ahead.too_late[rows] & ~(swap <= latest)
    return sentences(write, days_as_text(swap), days_as_text(latest), late)


def warranty_at_swap(warranty: str) -> str:
    """Half a sentence on the warranty, given its end, that a sensor is swapped within; "" where there is none."""
    if not warranty:
        return ""
    return f" Its warranty runs until {warranty}: test it on fresh, verified gas at the swap and keep the record."
