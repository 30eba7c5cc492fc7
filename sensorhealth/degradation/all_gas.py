"""How sure the gas and the sessions of a very large kind are, from the readings that each column has."""

from __future__ import annotations

from typing import Any

import numpy as np

from sensorhealth.degradation.all_lines import Order
from sensorhealth.degradation.all_shared import Shared
from sensorhealth.degradation.design import FloatArray, Stratum
from sensorhealth.degradation.effects import CYLINDER, FADE, SESSION, STATED

LEAST = 1e-18  # prior variance that even an effect known to be none is given


def gas_variances(
    stratum: Stratum, classes: dict[str, Shared], order: Order, noise: FloatArray, lives: FloatArray
) -> tuple[dict[str, FloatArray], FloatArray, FloatArray]:
    """Variances of the effects of each class, covariance of each cylinder's bias and fade, and variance (N,) of what gas and
    session do to each reading, given what all readings say.

    classes: in the order (N,) of the paths' layers; noise, lives (N,): variances of the readings and of their lives' paths.
    """
    session, gas = np.zeros(noise.size), np.zeros(noise.size)
    found = {name: item.variance.copy() for name, item in classes.items()}
    between = np.zeros(stratum.cylinders.size)
    for _ in range(2 if SESSION in classes else 1):  # each is told by readings that the other makes uncertain
        told = 1.0 / (noise + lives + session)
        gas = np.zeros(noise.size)
        for name in (STATED, CYLINDER):
            if name in classes:
                found[name] = 1.0 / (1.0 / np.maximum(classes[name].variance, LEAST) + classes[name].squares(told[order]))
                gas[order] += classes[name].on_readings(found[name])
        if FADE in classes:
            found_now, between, gas = _with_fade(stratum, classes, order, told)
            found |= found_now
        if SESSION in classes:
            told = 1.0 / (noise + lives + gas)
            item = classes[SESSION]
            found[SESSION] = 1.0 / (1.0 / np.maximum(item.variance, LEAST) + item.squares(told[order]))
            session[order] = item.on_readings(found[SESSION])
    return found, between, gas + session


def _with_fade(
    stratum: Stratum, classes: dict[str, Shared], order: Order, told: FloatArray
) -> tuple[dict[str, FloatArray], FloatArray, FloatArray]:
    """The same where cylinders fade: bias and fade of a cylinder are told by the same readings."""
    fade = classes[FADE]
    used, size = stratum.cylinder, stratum.cylinders.size
    opened = np.where(used >= 0, stratum.opened, 0.0)
    first, cross, second = (np.bincount(used + 1, told * opened**k, size + 1)[1:] for k in range(3))
    stated = np.isfinite(stratum.tolerance)
    bias = np.full(size, LEAST)
    for name, mask in ((STATED, stated), (CYLINDER, ~stated)):
        if name in classes:
            bias[mask] = classes[name].variance[: int(mask.sum())]
    one, two = first + 1.0 / np.maximum(bias, LEAST), second + 1.0 / np.maximum(fade.variance, LEAST)
    det = one * two - cross**2
    b, f, c = two / det, one / det, -cross / det
    found: dict[str, Any] = {FADE: f}
    for name, mask in ((STATED, stated), (CYLINDER, ~stated)):
        if name in classes:
            known = int(mask.sum())
            rest = 1.0 / (1.0 / np.maximum(classes[name].variance, LEAST) + classes[name].squares(told[order]))
            found[name] = np.concatenate([b[mask], rest[known:]])
    gas = np.zeros(told.size)
    gas[order] = sum(classes[name].on_readings(found[name]) for name in (STATED, CYLINDER) if name in classes)
    here = used >= 0
    at = used[here]
    gas[here] = b[at] + 2.0 * opened[here] * c[at] + opened[here] ** 2 * f[at]
    return found, c, gas
