"""Jumps far beyond what a sensor's successive readings differ by: bad readings, steps, and those not yet judged.

A jump that the next reading takes back was a bad reading (the noise's heavy tail deals with it); one that stays was a step,
and the path goes on from there. The last reading of a life may be either: the share of jumps that stayed, learned from
those that could be followed up, is believed in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.degradation.design import FloatArray, IntArray, Stratum
from sensorhealth.degradation.effects import LEAST_NOISE, PASSING
from sensorhealth.degradation.fitting import CurveFit, class_effects
from sensorhealth.degradation.ground import life_slopes
from sensorhealth.degradation.reml_fit import CrossedFit
from sensorhealth.health.headroom import reads_low

FAR, FARTHEST = 5.0, 8.0  # usual jumps, between which a jump begins to be a surprise
MOST = 0.9  # quantile of the jumps that within these bounds is never a surprise, so that surprises stay rare
BACK = 0.5  # share of a jump that the next reading must take back for it to have been a bad reading
STAYED, FOLLOWED = 0.9, 3.0  # belief beforehand: a loose cap is likelier than a step, worth three followed jumps (common
# practice, no source)
FEWEST_FALLS, USUAL = 3, 0.5  # falls at the end, and their share of the ends, that ask for a knee
MOST_LIVES = 20_000  # lives beyond which steps are only taken from outside: each is a column of its own


@dataclass(frozen=True)
class Surprises:
    """What a stratum's jumps are like.

    far: size of jump (ln ratio) that is a surprise; share: of unjudged last jumps that is believed to stay; rate: steps per
    sensor and year; size: root mean square of the steps; steps, bad: how many of each were seen.
    """

    far: float
    share: float = 0.0
    rate: float = 0.0
    size: float = 0.0
    steps: int = 0
    bad: int = 0


@dataclass(frozen=True)
class _Jumps:
    """Jumps before each reading but the first of a life (N,), 0 there; whether far down (N,); which were what."""

    jump: FloatArray
    down: NDArray[np.bool_]
    step: IntArray
    bad: IntArray
    open: IntArray


def find_surprises(
    stratum: Stratum, fitted: CurveFit, known: Surprises | None = None, most: float = MOST_LIVES
) -> tuple[Stratum, FloatArray | None, Surprises]:
    """Search a fitted stratum for steps and doubtful last readings.

    known: what was learned at an earlier fit, to judge by. most: lives beyond which none is looked for. Returns the stratum
    with the steps found added to those given, the variance (N,) of readings in doubt (NaN elsewhere; None for none), and what
    was learned.
    """
    if stratum.life_id.size > most or stratum.y.size < 3:
        return stratum, None, known or Surprises(np.inf)
    net, start = _net(stratum, fitted)
    far = _usual(stratum, net) if known is None else known.far
    found = _judge(stratum, net, start, far)
    if known is None:
        counts = found.step.size + found.bad.size
        share = (found.step.size + STAYED) / (counts + FOLLOWED)
        sizes = np.concatenate([found.jump[found.step], np.sqrt(share) * found.jump[found.open]])
        years = max(float(np.nansum(stratum.last_age)), 1e-9)
        rate = (found.step.size + share * found.open.size) / years
        size = float(np.sqrt(np.mean(sizes**2))) if sizes.size else 0.0
        known = Surprises(far, share, rate, size, found.step.size, found.bad.size)
    doubt = None
    if found.open.size:
        doubt = np.full(stratum.y.size, np.nan)
        doubt[found.open] = found.jump[found.open] ** 2
    return _with_steps(stratum, found), doubt, known


def falls_at_the_end(stratum: Stratum, fitted: CurveFit) -> bool:
    """Whether lives leave this path downwards at their last readings, further each time, or nearly all that came to their end did
    so by a fall: then the path may have a knee that this curve lacks, and no jump should be judged by it.
    """
    if stratum.y.size < 3:
        return False
    net, start = _net(stratum, fitted)
    jump = _judge(stratum, net, start, _usual(stratum, net)).down
    last, counts = (array[stratum.counts > 1] for array in (stratum.last, stratum.counts))
    fell = jump[last]
    again = fell & jump[last - 1] & (counts > 2)
    low = reads_low(stratum.y[last], stratum.censoring[last])
    return bool(again.sum() >= FEWEST_FALLS or (fell & low).sum() >= max(FEWEST_FALLS, USUAL * low.sum()))


def _net(stratum: Stratum, fitted: CurveFit) -> tuple[FloatArray, FloatArray]:
    """Readings (N,) less the common path and the gas; where lives with a reference calibration began (n,).

    A knee comes at each sensor's own pace: with curves that have one, it is the sensor's own path that is taken off.
    """
    net = stratum.y - fitted.bend - fitted.base.x @ fitted.fit.beta - class_effects(fitted, PASSING)
    if fitted.slopes is not None:  # of all lives of a very large kind paths rest where they were made straight
        own = life_slopes(stratum, fitted.fit) if isinstance(fitted.fit, CrossedFit) else fitted.slopes
        net -= fitted.base.g * (own - fitted.fit.beta[1])[stratum.life]
    return net, stratum.reference_value - fitted.fit.beta[0]


def _usual(stratum: Stratum, net: FloatArray) -> float:
    """Size of jump that is a surprise: five usual ones, more where so large ones are no rarity."""
    jump = np.abs(np.diff(net))[np.diff(stratum.life) == 0]
    if jump.size < 10:
        return float("inf")
    usual = float(np.quantile(jump, 0.75)) / 1.15  # standard deviation of a normal with that upper quartile
    return max(float(np.clip(np.quantile(jump, MOST), FAR * usual, FARTHEST * usual)), LEAST_NOISE)


def _judge(stratum: Stratum, net: FloatArray, start: FloatArray, far: float) -> _Jumps:
    """Sort the far jumps: taken back at once, staying, or the last of their life.

    start (n,): where lives with a reference calibration began; others have no jump before their first reading.
    """
    own = np.concatenate([[False], np.diff(stratum.life) == 0])
    seen = stratum.censoring == 0
    given = np.concatenate([[False], np.diff(stratum.segment) != 0]) & own
    before = np.where(own, np.concatenate([[0.0], net[:-1]]), start[stratum.life])
    valid = seen & ~given & np.where(own, np.concatenate([[False], seen[:-1]]), np.isfinite(before))
    jump = np.where(valid, net - before, 0.0)
    wide = np.abs(jump) > far
    inner = np.append(own[1:], False)  # a later reading of the same life follows
    after = np.append(net[1:], 0.0)
    back = np.where(inner, (after - net) / np.where(jump == 0.0, 1.0, -jump), 0.0)
    bad = wide & inner & (back > BACK) & (np.abs(after - before) < np.abs(net - before))
    recovery = np.concatenate([[False], bad[:-1]])
    rest = wide & ~bad & ~recovery
    return _Jumps(jump, jump < -far, np.flatnonzero(rest & inner), np.flatnonzero(bad), np.flatnonzero(rest & ~inner))


def _with_steps(stratum: Stratum, found: _Jumps) -> Stratum:
    """The stratum with new stretches begun at the steps found; each has the size of the jumps up to it as its width."""
    if not found.step.size:
        return stratum
    begins = np.concatenate([[True], (np.diff(stratum.life) != 0) | (np.diff(stratum.segment) != 0)])
    begins[found.step] = True
    first = np.flatnonzero(begins)
    stretch = np.cumsum(begins) - 1
    given = stratum.segment[first] >= 0
    new = np.zeros(first.size, dtype=bool)
    new[stretch[found.step]] = True
    carries = new | given
    width = np.where(new, np.abs(found.jump[first]), np.where(given, 1.0, 0.0))
    segment = np.where(carries, np.cumsum(carries) - 1, -1)[stretch]
    last_segment = np.full(stratum.life_id.size, -1, dtype=np.int64)
    read = stratum.last >= 0
    last_segment[read] = segment[stratum.last[read]]
    return replace(
        stratum,
        segment=segment,
        last_segment=last_segment,
        segments=int(carries.sum()),
        step_size=_running(width, stratum.life[first])[carries],
    )


def _running(width: FloatArray, life: IntArray) -> FloatArray:
    """Root of the running sum of squares within a life."""
    total = np.cumsum(width**2)
    start = np.concatenate([[True], np.diff(life) != 0])
    before = np.where(start, np.concatenate([[0.0], total[:-1]]), 0.0)
    return np.sqrt(np.maximum(total - np.maximum.accumulate(before), 0.0))
