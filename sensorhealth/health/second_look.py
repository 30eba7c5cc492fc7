"""What the search found, looked at once more with what is known of visits and of technologies that end by collapse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.health.array_records import join
from sensorhealth.health.change_points import DOWN, SINGLE, SPENT, SWAP, Faults
from sensorhealth.health.ends import at_last_visit, ends_by_collapse
from sensorhealth.health.fault_search import FoundFaults
from sensorhealth.health.headroom import only_passed

SURE = 0.9


def second_look(table: pd.DataFrame, found: FoundFaults) -> FoundFaults:
    """Faults as they are to be told; table: the readings that were searched, with their technology."""
    return _collapsed_and_replaced(table, _rise_seen_once(table, found))


def _rise_seen_once(table: pd.DataFrame, found: FoundFaults) -> FoundFaults:
    """A rise at the last visit so far that is not SURE to be a swap or a cleaning may be one high reading as well."""
    faults = found.faults
    doubtful = (faults.kind > DOWN) & (faults.probability < SURE)
    doubtful &= at_last_visit(table, table["life"].to_numpy())[faults.position]
    if not doubtful.any():
        return found
    at = faults.position[doubtful]
    deviation, sd = found.deviation.copy(), found.deviation_sd.copy()
    deviation[at], sd[at] = faults.size[doubtful], faults.std_error[doubtful]
    kind = np.where(doubtful, SINGLE, faults.kind)
    return replace(found, faults=replace(faults, kind=kind), deviation=deviation, deviation_sd=sd)


def _collapsed_and_replaced(table: pd.DataFrame, found: FoundFaults) -> FoundFaults:
    """The faults with a swap wherever a sensor of a technology that ends by collapse came back from its end.

    Two or more readings in a row that fell, the last of them to the limit, and then one above it: where paths are flat a
    new sensor reads as the old one did, and the search, which knows jumps only, takes the end for bad readings.
    """
    faults, life = found.faults, table["life"].to_numpy()
    value = np.where(only_passed(table), np.nan, table["log_ratio"].to_numpy())
    fallen = value <= 0
    fallen[faults.position[(faults.kind <= DOWN) & (faults.size < 0)]] = True
    fallen &= ends_by_collapse(table)
    known = np.zeros(len(table), dtype=bool)
    known[faults.position] = True
    before = _previous(fallen, life)
    spent = _previous(value <= SPENT, life)
    at = np.flatnonzero(before & _previous(before, life) & spent & (value > SPENT) & ~fallen & ~known)
    if not len(at):
        return found
    sure, none = np.full(len(at), SURE), np.zeros(len(at))
    jump, error = value[at] - value[at - 1], found.deviation_sd[at]
    swaps = Faults(at, at, at, np.full(len(at), SWAP), jump, error, sure, sure, none)
    return replace(found, faults=join([faults, swaps]))


def _previous(flag: NDArray[np.bool_], life: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the reading before, of the same life, has the flag."""
    same = np.r_[False, life[1:] == life[:-1]]
    return np.r_[False, flag[:-1]] & same
