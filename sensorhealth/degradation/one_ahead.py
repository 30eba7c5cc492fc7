"""What each reading was expected to be from the readings of its sensor before it: a Kalman filter over all sensors at once.

State of a sensor: intercept, slope and wander, W(0) = 0; the wander carries steps too, whose size is not known before they
come. Source: Durbin and Koopman (2012), Time Series Analysis by State Space Methods, ch. 4.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from sensorhealth.degradation.reml_data import FloatArray, IntArray


class Ahead(NamedTuple):
    """mean, variance (N,): of the latent reading given the earlier ones; after (N,): mean given that reading too. state (3, n),
    spread (3, 3, n): mean and covariance of (a, b, W) of each sensor after its last reading.
    """

    mean: FloatArray
    variance: FloatArray
    after: FloatArray
    state: FloatArray
    spread: FloatArray


def one_ahead(
    offsets: IntArray,
    g: FloatArray,
    y: FloatArray,
    noise: FloatArray,
    sensor: FloatArray,
    brownian: float = 0.0,
    step: FloatArray | None = None,
    keep: FloatArray | None = None,
    returning: float = 0.0,
) -> Ahead:
    """What a_i + b_i g + W_i(g) is expected to be at each reading given the earlier readings of its sensor.

    offsets (n+1,): readings of sensor i are offsets[i]:offsets[i+1], in order of g. y (N,): readings less everything but the
    sensor's own effects; noise (N,): their variances. sensor (2, 2): covariance of (a, b); brownian: variance of W per unit
    of g. step (N,): variance of a step that has come between the last reading and this one, found with hindsight: this
    reading is still expected without it, the later ones are not. keep (N,): share left since the reading before of a
    wander of the readings that comes back, if any; returning: its variance. It is in what is expected, and not in the state.
    """
    size = 3 if keep is None else 4
    count, state = np.diff(offsets), np.zeros((size, len(offsets) - 1))
    spread = np.zeros((size, size, len(offsets) - 1))
    spread[:2, :2] = np.asarray(sensor, dtype=float)[:, :, None]
    before = np.zeros(len(offsets) - 1)
    mean, variance, after = np.zeros(len(y)), np.zeros(len(y)), np.zeros(len(y))
    for k in range(int(count.max(initial=0))):
        here = np.flatnonzero(count > k)
        at = offsets[here] + k
        row = np.ones((size, at.size))
        row[1] = g[at]
        own, x = spread[:, :, here], state[:, here]
        own[2, 2] += brownian * np.maximum(g[at] - before[here], 0.0)
        before[here] = g[at]
        if keep is not None:
            own[3] *= keep[at]
            own[:, 3] *= keep[at]
            own[3, 3] += returning * (1.0 - keep[at] ** 2)
            x[3] *= keep[at]
        mean[at] = (row * x).sum(axis=0)
        variance[at] = np.einsum("in,ijn,jn->n", row, own, row)
        if step is not None:
            own[2, 2] += step[at]
        shared = np.einsum("ijn,jn->in", own, row)
        total = (row * shared).sum(axis=0) + noise[at]
        gain = shared / np.where(total > 0.0, total, 1.0)
        moved = x + gain * (y[at] - mean[at])
        after[at], state[:, here] = (row * moved).sum(axis=0), moved
        spread[:, :, here] = own - gain[:, None] * shared[None]
    return Ahead(mean, variance, after, state[:3], spread[:3, :3])
