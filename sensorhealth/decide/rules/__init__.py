"""The rules that turn a situation into an action: one file each, asked by priority; the first that applies wins.

A rule is a module with a `RULE`. To add one, add a file that states its priority, action, where it applies, and why;
nothing else has to change, and the laws that hold for every rule are tested over it at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from pkgutil import iter_modules

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.outlook import Outlook
from sensorhealth.decide.situation import Situation

BoolArray = NDArray[np.bool_]
DateArray = NDArray[np.datetime64]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
ObjectArray = NDArray[np.object_]


@dataclass(frozen=True)
class Rule:
    """One decision rule.

    priority: asked in ascending order. action: one of the nomenclature's actions for the plan. applies(facts, ahead)
    -> (n,) bool. The others are asked for the rows (k,) on which the rule decides: reason -> (k,) text, a whole
    sentence; due -> (k,) days, not before the as-of date, NaT for never; direct_cost -> (k,) currency; confidence ->
    (k,) probability that the action is needed as stated.
    """

    priority: int
    action: str
    applies: Callable[[Situation, Outlook], BoolArray]
    reason: Callable[[Situation, Outlook, IntArray], ObjectArray]
    due: Callable[[Situation, Outlook, IntArray], DateArray]
    direct_cost: Callable[[Situation, Outlook, IntArray], FloatArray]
    confidence: Callable[[Situation, Outlook, IntArray], FloatArray]


@cache
def rules() -> tuple[Rule, ...]:
    """All rules, by priority."""
    found = [import_module(f"{__name__}.{module.name}") for module in iter_modules(__path__) if module.name[0] != "_"]
    return tuple(sorted((module.RULE for module in found), key=lambda rule: rule.priority))
