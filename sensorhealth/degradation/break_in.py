"""Whether new sensors rise at first, before their loss shows: a break-in that dies away.

Cells gain some capacity in their first cycles, electrodes settle, filters come off. Taken for the beginning of the ageing it
makes the loss look as if it were yet to come, or wander and noise as if they were large. The curves of ageing only fall, so that
none can stand in for it: beside them a part that dies away exponentially with age, its size common to the kind and each sensor's
own about it. It is kept where the readings are clearly likelier with it than on any curve without.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import still_to_come
from sensorhealth.degradation.fitting import CurveFit
from sensorhealth.errors import FitError

SHARES = np.array([0.015, 0.03, 0.06, 0.12, 0.2])  # of the usual age of the last reading, in which it may die away
CLEARLY = 20.0  # deviance that it must gain: two parameters, a search over curves, and what one would rather do without
MOST = 0.5  # share of what a plainer curve is behind the likeliest one that a break-in must make up for to be tried beside it
FEWEST_SENSORS = 10  # with readings while it lasts, and after it
FEWEST_READINGS = 3
LASTS = 3.0  # times, after which nothing is left of it


def break_in_of(stratum: Stratum, fit: CurveFit, best: float) -> float:
    """Time constant (years) of the break-in that the readings ask for beside the curve of `fit`; 0 for none.

    best: deviance of the likeliest curve, to which it must bring the fit half way at least.
    """
    told = stratum.counts >= FEWEST_READINGS
    if told.sum() < FEWEST_SENSORS:
        return 0.0
    usual = float(np.median(stratum.last_age[told]))
    times = [float(time) for time in SHARES * usual if _seen(stratum, time)]
    least = max(CLEARLY, MOST * (fit.deviance - best))
    if not times or _gain(stratum, fit, times)[0] < least:  # all of them together gain more than any alone
        return 0.0
    gains = [gain if size < 0.0 else 0.0 for gain, size in (_gain(stratum, fit, [time]) for time in times)]
    at = int(np.argmax(gains))
    return times[at] if gains[at] > least else 0.0


def said_of(stratum: str, time: float) -> str:
    """What the user is told of a break-in with this time constant (years)."""
    days = f"{365.25 * time:.0f} days"
    return f"{stratum}: new sensors rise at first; this break-in, which dies away e-fold in {days}, is no part of their ageing"


def unslowed(grid: list[tuple[Curve, float]]) -> list[tuple[Curve, float]]:
    """The curves (and their prior weights) on which loss never slows down: a break-in does not end at once, and a loss that seems
    to slow down beside it must not be believed to do so up to the end of life."""
    steady = [
        (curve, weight) for curve, weight in grid if curve.derivative(curve.reference) >= curve.derivative(0.1 * curve.reference)
    ]
    total = sum(weight for _, weight in steady)
    return [(curve, weight / total) for curve, weight in steady]


def _seen(stratum: Stratum, time: float) -> bool:
    """Whether enough sensors were read while it lasts, and enough of them after it."""
    early = np.bincount(stratum.life[stratum.age < time], minlength=stratum.life_id.size) > 0
    return bool((early & (np.nan_to_num(stratum.last_age) > LASTS * time)).sum() >= FEWEST_SENSORS)


def _gain(stratum: Stratum, fit: CurveFit, times: list[float]) -> tuple[float, float]:
    """Deviance gained by break-ins with these time constants at the variances of `fit`, and size of the last (ln ratio)."""
    data = fit.layout.data
    more: FloatArray = np.zeros((len(data.y), len(times)))
    more[: stratum.age.size] = np.column_stack([still_to_come(time, stratum.age) for time in times])
    try:
        layout = reml.lay_out(replace(data, x=np.column_stack([data.x, more])), brownian=fit.wanders)
        told = reml.solve(layout, fit.parameters, "ML")
    except (FitError, np.linalg.LinAlgError):
        return 0.0, 0.0
    return float(fit.fit.deviance_ml - told.deviance_ml), float(told.beta[-1])
