"""When to swap: expected cost per unit time, on arrays.

With planned swap cost c_p, cost of an end in service c_f and life distribution F, a sensor swapped at age t or at its
end, whichever comes first, and renewed for ever costs (c_p R(t) + c_f F(t)) / int_0^t R per unit time; the age that
makes this least is the age-replacement optimum (Barlow and Proschan 1965). A sensor in service has its own
distribution of remaining life, different from its successors'. With the successors' least cost rate g, swapping it at
t is worth

    J(t) = c_p R(t) + c_f F(t) - g int_0^t R,

the expected cost of what is left of this life less what a successor would have cost in the same time; the best t
makes J least. For a new sensor of the same distribution min J = 0 at the age-replacement optimum, so that the two
agree.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


class AgeReplacement(NamedTuple):
    """age_days: (k,) best age, infinite where running to the end is best. rate: (k,) its cost per day."""

    age_days: FloatArray
    rate: FloatArray


def time_in_service(days: FloatArray, ended: FloatArray) -> FloatArray:
    """Expected days in service until min(t, end), int_0^t R (..., m); `ended` F (..., m) is linear between `days`."""
    step = np.diff(days)
    alive = 1.0 - ended
    area = np.zeros_like(ended)
    np.cumsum(0.5 * (alive[..., 1:] + alive[..., :-1]) * step, axis=-1, out=area[..., 1:])
    return area


def age_replacement(days: FloatArray, ended: FloatArray, planned: ArrayLike, failed: ArrayLike) -> AgeReplacement:
    """Best age at which to swap sensors that start new, and its cost per day.

    days: (m,) ages from 0. ended: (k, m) chance F of having ended by each. planned, failed: (k,) or scalar cost of a
    planned swap and of an end in service. F is linear between days; inside the best cell and its neighbours the cost
    is followed on a parabola through three points.
    """
    ended = np.atleast_2d(ended)
    c_p, c_f = (np.broadcast_to(np.asarray(c, dtype=float), ended.shape[:1])[:, None] for c in (planned, failed))
    area = time_in_service(days, ended)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = np.where(area > 0, (c_p + (c_f - c_p) * ended) / area, np.inf)
    best = np.argmin(rate, axis=1)
    rows = np.arange(best.size)
    age, least = days[best].astype(float), rate[rows, best]
    inside = (best > 1) & (best < days.size - 1)
    left, right = rows[inside], best[inside]
    x0, x1, x2 = days[right - 1], days[right], days[right + 1]
    y0, y1, y2 = rate[left, right - 1], rate[left, right], rate[left, right + 1]
    up, down = (y2 - y1) / (x2 - x1), (y1 - y0) / (x1 - x0)
    curved = (up - down) / (x2 - x0)
    step = np.where(curved > 0, -(down + curved * (x1 - x0)) / (2 * np.where(curved > 0, curved, 1.0)), 0.0)
    age[inside] = x1 + step
    least[inside] = y1 + (down + curved * (x1 - x0)) * step + curved * step**2
    age[best == days.size - 1] = np.inf
    return AgeReplacement(age, least)


def swap_value(ended: FloatArray, service: FloatArray, planned: FloatArray, failed: FloatArray, rate: FloatArray) -> FloatArray:
    """J (n, m): expected cost of swapping at each time, less what successors would have cost in that time.

    ended: F (n, m) at those times. service: int R (n, m) up to those times (days). planned, failed: (n,) costs.
    rate: (n,) successors' least cost per day.
    """
    return planned[:, None] + (failed - planned)[:, None] * ended - rate[:, None] * service


def at_days(days: FloatArray, values: FloatArray, wanted: FloatArray) -> FloatArray:
    """Rows (n, m) given at `days` (m,), linear between them, read at `wanted` (k,): (n, k); held at the ends."""
    inside = np.clip(wanted, days[0], days[-1])
    upper = np.clip(np.searchsorted(days, inside, side="right"), 1, days.size - 1)
    share = (inside - days[upper - 1]) / (days[upper] - days[upper - 1])
    return values[:, upper - 1] * (1.0 - share) + values[:, upper] * share
