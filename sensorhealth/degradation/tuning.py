"""Shapes of knees tuned to the readings: all parameters of a shape at once, by how the paths change with them.

A knee's place, how much faster the loss is after it and how sharp it is make up for each other and for the gas; gone through one
by one they end on a slope of the likelihood. About a fit the paths are straight in the shape's parameters as they are in each
sensor's slope: as further fixed effects they show at once where the likeliest shape lies (Gauss and Newton; Lindstrom and Bates
1990, Biometrics 46:673-687).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sensorhealth.degradation import reml
from sensorhealth.degradation.curves.own_pace import OwnPace
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.fitting import CurveFit, Options, rough_fit
from sensorhealth.errors import FitError

STEPS = 8
LARGEST = 0.7  # of a parameter's ln, in one step
SHORTER = (1.0, 0.4, 0.15)  # of a step that leads to a less likely shape
ENOUGH = 1.0  # deviance gained, below which the search ends
BELIEF = 1.5  # standard deviation of a parameter's ln about the present one, beforehand: what tells nothing does not move it
STEP = 0.01  # of the derivatives


def tuned(stratum: Stratum, start: CurveFit, options: Options) -> CurveFit:
    """The likeliest fit found on shapes near that of `start`; options: as for the fits."""
    best = start
    for _ in range(STEPS):
        step = _step(stratum, best)
        if step is None:
            return best
        before = best
        for length in SHORTER:
            assert isinstance(before.curve, OwnPace)
            curve = before.curve.reshaped(before.curve.shape + length * step)
            found = rough_fit(stratum, curve, before.terms, replace(options, degrees=before.degrees), before)
            if found.deviance < best.deviance:
                best = found
                break
        if best.deviance > before.deviance - ENOUGH:
            return best
    return best


def _step(stratum: Stratum, fit: CurveFit) -> FloatArray | None:
    """Change of the shape's parameters to where the readings put them; None where there are none, or nothing tells them."""
    curve = fit.curve
    if not isinstance(curve, OwnPace) or fit.slopes is None or not curve.shape.size:
        return None
    shape, own = curve.shape, fit.slopes[stratum.life]
    moved = STEP * np.eye(shape.size)
    changes = [
        (curve.reshaped(shape + one).path(own, stratum.age) - curve.reshaped(shape - one).path(own, stratum.age))
        / max(float(np.sum(curve.reshaped(shape + one).shape - curve.reshaped(shape - one).shape)), 1e-9)
        for one in moved
    ]
    data = fit.layout.data
    more = np.zeros((len(data.y), shape.size))
    more[: stratum.age.size] = np.column_stack(changes)
    try:
        layout = reml.lay_out(replace(data, x=np.column_stack([data.x, more])), brownian=fit.wanders)
        told = reml.solve(layout, fit.parameters, "ML")
        inverse = np.linalg.inv(told.beta_covariance[-shape.size :, -shape.size :])
    except (FitError, np.linalg.LinAlgError):
        return None
    step = np.linalg.solve(inverse + np.eye(shape.size) / BELIEF**2, inverse @ told.beta[-shape.size :])
    return np.clip(step, -LARGEST, LARGEST)
