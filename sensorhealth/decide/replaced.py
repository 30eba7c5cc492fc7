"""Whether a position is replaced by a planned swap or by an end in service, and when, on arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
_LEAST_ALIVE = 1e-6
_MOST_HAZARD = 5.0  # per step of the grid
_FEW = 8  # positions to a group of equal times from which on groups are read by themselves


class Alone(NamedTuple):
    """Chance (n, m) of each end by each day if there were no other, and that of either as it is."""

    soft: FloatArray
    sudden: FloatArray
    total: FloatArray


class Looks(NamedTuple):
    """Up to which day (g, t) soft ends are forestalled by each time, by group, and the group (n,) of each position."""

    times: FloatArray
    group: NDArray[np.intp]


class Replaced(NamedTuple):
    """Chance (n, t) by each time of a planned swap and of an end in service; foreseen: of the swaps, those before `stop`."""

    planned: FloatArray
    failed: FloatArray
    foreseen: FloatArray


def alone(soft: FloatArray, sudden: FloatArray) -> Alone:
    """Each end as if there were no other, from the incidence (n, m) of the two as competing risks.

    The hazard of sudden ends is their incidence over the chance of being alive; soft ends follow from the product of
    the two chances of survival.
    """
    total = np.minimum(soft + sudden, 1.0)
    alive = 1.0 - total
    step = np.diff(sudden, axis=1) / np.maximum(0.5 * (alive[:, 1:] + alive[:, :-1]), _LEAST_ALIVE)
    stays = np.empty_like(alive)
    stays[:, 0] = 1.0 - sudden[:, 0]
    stays[:, 1:] = stays[:, :1] * np.exp(-np.cumsum(np.minimum(step, _MOST_HAZARD), axis=1))
    by_soft = 1.0 - alive / np.maximum(stays, _LEAST_ALIVE)
    return Alone(np.maximum.accumulate(np.clip(by_soft, 0.0, 1.0), axis=1), 1.0 - stays, total)


def at_each(days: FloatArray, values: FloatArray, wanted: FloatArray) -> FloatArray:
    """Rows (n, m) given at `days` (m,), linear between them, each read at its own `wanted` (n, k); held at the ends."""
    upper, share = _cells(days, wanted)
    low = np.take_along_axis(values, upper - 1, axis=1)
    return low + share * (np.take_along_axis(values, upper, axis=1) - low)


def at_all(days: FloatArray, values: FloatArray, wanted: FloatArray) -> FloatArray:
    """The same, all rows read at one `wanted` (k,)."""
    upper, share = _cells(days, wanted)
    low = values.take(upper - 1, axis=1)
    found = values.take(upper, axis=1)
    found -= low
    found *= share
    found += low
    return found


def _cells(days: FloatArray, wanted: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """The day of the table after each of `wanted`, and how far it lies on the way there from the day before."""
    inside = np.clip(wanted, days[0], days[-1])
    upper = np.clip(np.searchsorted(days, inside, side="right"), 1, days.size - 1)
    return upper, (inside - days[upper - 1]) / (days[upper] - days[upper - 1])


def at_looks(days: FloatArray, values: FloatArray, look: Looks) -> FloatArray:
    """Rows (n, m) given at `days` (m,), each read at the times (k,) of its group."""
    groups = len(look.times)
    if groups == 1:
        return at_all(days, values, look.times[0])
    if groups * _FEW > len(values):
        return at_each(days, values, look.times[look.group])
    found = np.empty((len(values), look.times.shape[1]))
    for number, times in enumerate(look.times):
        mine = look.group == number
        found[mine] = at_all(days, values[mine], times)
    return found


def replaced_by(
    times: FloatArray,
    days: FloatArray,
    lives: Alone,
    look: Looks,
    begin_stop: tuple[FloatArray, FloatArray],
    missed: FloatArray,
) -> Replaced:
    """Chance of a planned swap, and of an end in service, by each of `times` (t,) days, which increase.

    days: (m,) at which `lives` is given. look: day up to which soft ends are forestalled by each time.
    begin_stop: (n,) days of `Ways`. missed: (n,) of `Ways`. A sensor leaves by its soft end, by the swap that
    forestalls it, or by a sudden end before either; the two causes are independent, and between times each is taken
    as uniform.
    """
    begin, stop = begin_stop[0][:, None], begin_stop[1][:, None]
    soft, sudden = (at_all(days, values, times) for values in (lives.soft, lives.sudden))
    ever, stops = bool(np.isfinite(begin).any()), bool(np.isfinite(stop).any())
    worn = soft
    if stops:
        goes_on = times <= stop
        sudden = np.where(goes_on, sudden, at_each(days, lives.sudden, stop))
        worn = soft = np.where(goes_on, soft, at_each(days, lives.soft, stop))
    swapped: FloatArray | float = 0.0
    if ever:  # else no soft end is seen coming
        at_begin = at_each(days, lives.soft, begin)
        worn = np.minimum(soft, np.where(begin <= stop, at_begin, soft))
        worn += missed[:, None] * np.maximum(soft - at_begin, 0.0)
        seen = (1.0 - missed[:, None]) * np.maximum(at_looks(days, lives.soft, look) - at_begin, 0.0)
        seen[(times < begin) | (times >= stop)] = 0.0
        swapped = np.maximum.accumulate(seen, axis=1)
    here = 1.0 - _middle(sudden)
    failed = np.cumsum(_steps(worn) * here + _steps(sudden) * (1.0 - _middle(worn + swapped)), axis=1)
    foreseen = np.cumsum(_steps(swapped) * here, axis=1) if isinstance(swapped, np.ndarray) else np.zeros_like(failed)
    return Replaced(np.where(times >= stop, 1.0 - failed, foreseen) if stops else foreseen, failed, foreseen)


def _steps(values: FloatArray) -> FloatArray:
    """Rises from one time to the next, the first from nought."""
    found = values.copy()
    found[:, 1:] -= values[:, :-1]
    return found


def _middle(values: FloatArray) -> FloatArray:
    """Means over the step before each time."""
    found = values.copy()
    found[:, 1:] += values[:, :-1]
    found *= 0.5
    return found
