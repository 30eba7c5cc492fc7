"""How the loss goes on beyond what the sensors of a kind have lost so far: a belief where no reading can speak.

A curve that fits is known as far as sensors have walked it. Beyond that it is one guess among many: a film that grows by
diffusion slows the loss down and does not end a life; what ends it comes later and faster. So the loss is held to go on as a
power of age whose exponent need not stay what it is: on the way from the loss that sensors of the kind have reached to the limit,
ln(exponent) leaves the curve's smoothly and comes back to what is usual, in octaves of the loss (a stationary Gaussian process of
squared exponential covariance: Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, ch. 4; cited from memory).
The more octaves lie ahead the less is known; where sensors have come near the limit nothing changes, and where ends have taught
their law (`life.end_law`) this belief is not asked.

Usual exponents run from .5 (growth by diffusion) to what a knee passed half way makes of the last of the way: with a barrier
and a catalyst in series 1.4, 2.0 and 2.6 for reserves of 3, 10 and 30, with losses that go 3, 8 and 20 times as fast after it 2,
4.5 and 10.5 (derived). They are held to lie between EXPONENTS nine times in ten. How fast a course forgets, and how much of the
belief stays with the curve as it was fitted, are judgements (common practice, no source). Curves with a knee are left as they
are: they say what comes, and each sensor has its own (`places`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import erf, ndtri

from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.curves.own_pace import OwnPace
from sensorhealth.degradation.design import FloatArray
from sensorhealth.degradation.knees import AS_FORETOLD, LATEST, LOGS, SOONEST, may_mislead
from sensorhealth.degradation.posterior import PathPosterior
from sensorhealth.degradation.strata import StratumModel

EXPONENTS = (0.5, 6.0)  # of the loss as a power of age, 5 and 95 % points
USUAL = 0.5 * float(np.log(EXPONENTS).sum())
SPREAD = float(np.log(EXPONENTS[1] / EXPONENTS[0]) / (2.0 * ndtri(0.95)))
MEMORY = 1.0  # octaves of the loss at which two exponents have a correlation of exp(-1 / 2)
LEAVES = 0.5  # of the belief in a curve without a knee: that its exponent does not stay (even odds, as for knees)
FIRST = 0.9  # quantile of what the sensors of a kind have lost, up to which the curve is known: one in ten has been there
LEAST_SHARE = 0.02  # of the way, below which no loss tells of a course
NOTHING_NEW = 0.95  # share of the way known from which on nothing is left to doubt
STEEPEST = 6.0  # exponents of a curve beyond which, and below whose inverse, they tell of its form only
DRAWS = ndtri((np.arange(15) + 0.5) / 15)


@dataclass(frozen=True)
class Course:
    """reached: loss (ln ratio) up to which the sensors of a kind have shown how they lose."""

    reached: float


def learn_course(model: StratumModel, limit: float) -> Course | None:
    """How far the course of a fitted stratum is known; None where there is no reserve to use up, no path, or nothing left to
    doubt.

    limit: ln headroom ratio at the end.
    """
    if not may_mislead(model.stratum):
        return None
    age = model.stratum.last_age
    read = np.isfinite(age)
    if not read.any():
        return Course(0.0)
    lost, way = np.zeros(int(read.sum())), np.zeros(int(read.sum()))
    for item in model.modes:
        birth, slope = item.origin[0][read].T
        lost -= item.weight * item.fitted.curve.path(slope, age[read])
        way += item.weight * (birth - limit)
    total = sum(item.weight for item in model.modes)
    reached = float(np.quantile(lost / total, FIRST))
    return Course(max(reached, 0.0)) if reached < NOTHING_NEW * float(np.median(way / total)) else None


def courses_of(models: Iterable[StratumModel], limit: float) -> dict[str, Course]:
    """As `learn_course` for several strata, those without doubt left out."""
    found = {model.stratum.name: learn_course(model.looked_back, limit) for model in models}
    return {name: item for name, item in found.items() if item is not None}


def leaving(law: FloatArray, course: Course, path: PathPosterior, age: FloatArray, limit: float) -> FloatArray:
    """The law (n, len(LOGS)) of how much sooner ends come, with what it leaves where paths foretell them spread over courses.

    path: on which the law stands; age: (n,) years at which its posterior holds.
    """
    found = law.copy()
    stays = law[:, AS_FORETOLD]
    for j, curve in enumerate(path.curve):
        if isinstance(curve, OwnPace) and curve.knee:
            continue
        worth = path.weight[j] * LEAVES * stays
        found[:, AS_FORETOLD] -= worth
        _add(found, _sooner(course, curve, path.level[j], path.slope[j], age, limit), worth)
    return found


def exponent(curve: Curve, slope: FloatArray, age: FloatArray, lost: FloatArray) -> FloatArray:
    """d ln loss / d ln age of a path that has lost `lost` (ln ratio) at `age` (years)."""
    return np.clip(-curve.path_by_age(slope, age) * age / lost, 1.0 / STEEPEST, STEEPEST)


def drift(octaves: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Of the mean of ln(exponent) over so many octaves of loss: the share that its beginning has in it, and its standard
    deviation (the mean of a stationary Gaussian process, given where it starts; its correlation at a distance u is
    exp(-u^2 / 2), whose integral over the way is `within`)."""
    way = np.maximum(octaves / MEMORY, 1e-3)
    within = np.sqrt(0.5 * np.pi) * erf(way / np.sqrt(2.0))
    start = within / way
    variance = 2.0 * (way * within + np.expm1(-0.5 * way**2)) / way**2 - start**2
    return start, SPREAD * np.sqrt(np.maximum(variance, 0.0))


def _sooner(course: Course, curve: Curve, level: FloatArray, slope: FloatArray, age: FloatArray, limit: float) -> FloatArray:
    """ln (n, draws) of how much sooner ends come than on one curve."""
    lost = -curve.path(slope, age)
    way = np.maximum(level + lost - limit, 0.05)
    known = np.clip(np.maximum(lost, course.reached), LEAST_SHARE * way, 0.99 * way)
    then = np.clip(np.where(lost >= known, age, np.maximum(curve.age_at(-known, slope), age)), SOONEST, LATEST)
    remaining = np.clip(curve.age_at(-way, slope) - age, SOONEST, LATEST)
    share, spread = drift(np.log2(way / known))
    mean = share * np.log(exponent(curve, slope, then, known)) + (1.0 - share) * USUAL
    power = np.exp(mean[:, None] + spread[:, None] * DRAWS)
    left = np.maximum(then[:, None] * (way / known)[:, None] ** (1.0 / power) - age[:, None], SOONEST)
    return np.asarray(np.log(remaining[:, None] / left))


def _add(found: FloatArray, log: FloatArray, worth: FloatArray) -> None:
    """Add to laws (n, len(LOGS)) what lies at `log` (n, draws), each draw for the same part of `worth` (n,)."""
    where = (np.clip(log, LOGS[0], LOGS[-1]) - LOGS[0]) / (LOGS[1] - LOGS[0])
    below = np.minimum(where.astype(int), LOGS.size - 2)
    rows = np.broadcast_to(np.arange(len(log))[:, None], log.shape)
    each = worth[:, None] / log.shape[1]
    np.add.at(found, (rows, below), each * (1.0 - (where - below)))
    np.add.at(found, (rows, below + 1), each * (where - below))
