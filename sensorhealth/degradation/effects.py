"""Which effects a stratum's model has: its fixed effects and the classes of effects that cross the sensors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sensorhealth.degradation.curves import Curve
from sensorhealth.degradation.design import FloatArray, IntArray, Stratum
from sensorhealth.degradation.reml_data import CrossedClass, CrossedData, RandomEffects, Returning
from sensorhealth.health.two_groups import ORDINARY
from sensorhealth.technologies import gases

STATED, CYLINDER, FADE, SESSION, STEP = "cylinder of stated tolerance", "cylinder", "cylinder fade", "session", "step"
LOT_LEVEL, LOT_SLOPE = "lot level", "lot slope"
BREAK_IN = "break-in"
GAS = (STATED, CYLINDER, FADE, SESSION)  # what belongs to a visit to the bench and not to the sensor
PASSING = (*GAS, BREAK_IN)  # what does not last
USUAL_BIAS = ORDINARY * np.sqrt(3.0)  # standard deviation of ordinary biases, in units of tolerance / sqrt(3)
USUAL_GAS = 0.03  # of biases in ln ratio where no tolerance is stated (common practice, no source)
USUAL_FADE = 0.5 * USUAL_GAS  # of ordinary fade, per year (common practice, no source)
STEP_VARIANCE = 1.0  # ln ratio squared: a step may be of any size
LARGEST_GROUP, FEWEST_GROUPS = 10, 5  # sensors of one device, and devices, for sessions to be left out
SHARED_SESSIONS = 0.5  # share of the readings that must not be alone in their session
LEAST_NOISE = 1e-6  # standard deviation in ln ratio that even constant readings are given
AT_ONCE = 0.02  # of a wiggle's time, within which readings are not told apart
SAME_AGE = 1e-3  # years; ages within it tell no slope


@dataclass(frozen=True)
class PathPrior:
    """What is believed of a stratum's mean path before its readings: level at birth and slope, with standard
    deviations.
    """

    level: float
    level_sd: float
    slope: float
    slope_sd: float


@dataclass(frozen=True)
class Wiggle:
    """How readings wander about their path and come back: years in which a wander dies away e-fold, its variance in those of the
    noise, and the usual time between readings."""

    years: float
    share: float
    every: float

    @property
    def worth(self) -> float:
        """Variance, in those of the noise, of readings without a wiggle that would tell a path about as well as those with it."""
        left = float(np.exp(-self.every / self.years))
        return 1.0 + self.share * (1.0 + left) / (1.0 - left)

    def left(self, since: FloatArray) -> FloatArray:
        """Share of it that is left after `since` years."""
        return np.exp(-since / self.years)

    def returning(self, stratum: Stratum) -> Returning:
        """The same for each reading of a stratum; what is read at once keeps a little less than all."""
        since = np.diff(stratum.age, prepend=0.0)
        follows = np.diff(stratum.life, prepend=-1) == 0
        return Returning(np.where(follows, self.left(np.maximum(since, AT_ONCE * self.years)), 0.0), self.share)


@dataclass(frozen=True)
class Terms:
    """What a stratum's model contains.

    slope: a mean slope; random: the sensors' own effects; floor: a noise (standard deviation) believed in with the weight
    of one reading, which keeps the noise off zero; prior: on the mean path, where the readings cannot tell it;
    doubt: (N,) variance given to a reading in doubt, NaN elsewhere. break_in: years in which a first rise or fall of new sensors
    dies away e-fold, 0 for none; own_break_in: whether sensors differ in its size. wiggle: of the readings
    about the path, if any.
    """

    slope: bool
    random: RandomEffects
    fade: bool
    sessions: bool
    lots: bool
    floor: float
    prior: PathPrior | None = None
    doubt: FloatArray | None = None
    break_in: float = 0.0
    own_break_in: bool = False
    wiggle: Wiggle | None = None


def terms(stratum: Stratum, *, fade: bool, sessions: bool, lots: bool) -> Terms:
    """The effects that this stratum's readings can carry at all."""
    spread = float(np.ptp(stratum.age)) > SAME_AGE if stratum.age.size else False
    repeated = bool((stratum.counts > 1).any())
    several = stratum.life_id.size > 1
    random: RandomEffects = "none"
    if several and repeated:
        random = "intercept+slope" if spread else "intercept"
    gas = gases().get(stratum.gas)
    reactive = gas is not None and gas.reactive
    opened = stratum.opened[stratum.cylinder >= 0]
    return Terms(
        slope=spread,
        random=random,
        fade=fade and reactive and opened.size > 0 and float(np.ptp(opened)) > SAME_AGE,
        sessions=sessions and tells_sessions(stratum),
        lots=lots and stratum.lots.size > 1,
        floor=noise_floor(stratum),
    )


def noise_floor(stratum: Stratum) -> float:
    """A tenth of what successive readings of a sensor usually differ by: far below any noise worth estimating."""
    step = np.diff(stratum.y)[np.diff(stratum.life) == 0]
    usual = np.median(np.abs(step)) if step.size else 0.0
    return max(0.1 * float(usual), 0.01 * float(np.std(step)) if step.size else 0.0, LEAST_NOISE)


def tells_sessions(stratum: Stratum) -> bool:
    """Whether sessions can be told from noise (most readings share theirs) and from cylinders (the two are not one)."""
    known = stratum.session >= 0
    if not known.any() or stratum.sessions.size < 2:
        return False
    together = np.bincount(stratum.session[known])[stratum.session[known]] > 1
    pairs = np.unique(np.column_stack([stratum.session[known], stratum.cylinder[known]]), axis=0)
    one_cylinder = len(pairs) == stratum.sessions.size and len(pairs) == np.unique(pairs[:, 1]).size
    one_cylinder = one_cylinder and bool((pairs[:, 1] >= 0).all())
    return bool(together.mean() >= SHARED_SESSIONS) and not one_cylinder and not inseparable(stratum)


def inseparable(stratum: Stratum) -> bool:
    """Whether most sensors belong to small groups that never part company, as the channels of one device do.

    What such a group shares at a visit may be its own drift as well as an error of the day.
    """
    known = stratum.session >= 0
    mark = np.random.default_rng(0).integers(1, 2**62, stratum.sessions.size, dtype=np.uint64)
    signature = np.zeros(stratum.life_id.size, dtype=np.uint64)
    np.add.at(signature, stratum.life[known], mark[stratum.session[known]])
    often = np.bincount(stratum.life[known], minlength=signature.size) > 2
    _, group, size = np.unique(signature[often], return_inverse=True, return_counts=True)
    small = (size > 1) & (size <= LARGEST_GROUP)
    return bool(small.sum() >= FEWEST_GROUPS and small[group].mean() >= 0.5)


def crossed_data(stratum: Stratum, curve: Curve, chosen: Terms, slopes: FloatArray | None = None) -> CrossedData:
    """The kernel's arrays: y at face value, weights one.

    slopes: (n,) of the lives, about which a curve of own pace is made straight; `bend` is what y then lies off.
    """
    g = curve.value(stratum.age) if slopes is None else curve.path_by_slope(slopes[stratum.life], stratum.age)
    columns = [np.ones_like(g)] + ([g] if chosen.slope else [])
    columns += [still_to_come(chosen.break_in, stratum.age)] if chosen.break_in else []
    x = np.column_stack([*columns, *stratum.covariates.T])
    return CrossedData(
        y=stratum.y,
        x=x,
        offsets=stratum.offsets,
        g=g,
        classes=_classes(stratum, g, chosen),
        random=chosen.random,
        returning=None if chosen.wiggle is None else chosen.wiggle.returning(stratum),
    )


def still_to_come(break_in: float, age: FloatArray) -> FloatArray:
    """Share of the break-in that is still to come at `age` (years)."""
    return np.exp(-age / break_in)


def bend(curve: Curve, slopes: FloatArray | None, life: IntArray, age: FloatArray) -> FloatArray:
    """How far the path of `life` (m,) at `age` (m,) lies off the straight line that `crossed_data` has in its place."""
    if slopes is None:
        return np.zeros_like(age)
    own = slopes[life]
    return curve.path(own, age) - own * curve.path_by_slope(own, age)


def at_columns(effects: FloatArray, index: IntArray) -> FloatArray:
    """Effects (columns,) at `index`, 0 where it is -1."""
    return np.where(index >= 0, effects[np.maximum(index, 0)], 0.0)


def steps_found(stratum: Stratum) -> FloatArray:
    """Variance (N,) of the step with which a new stretch begins at a reading, 0 elsewhere."""
    begins = np.concatenate([[True], (np.diff(stratum.life) != 0) | (np.diff(stratum.segment) != 0)])
    size = at_columns(np.append(stratum.step_size, 0.0), stratum.segment)
    return np.where(begins[: stratum.y.size], STEP_VARIANCE * size**2, 0.0)


def _classes(stratum: Stratum, g: FloatArray, chosen: Terms) -> tuple[CrossedClass, ...]:
    found: list[CrossedClass] = []
    cylinder, tolerance, prior = stratum.probable_cylinder, stratum.tolerance, stratum.gas_prior
    stated = np.isfinite(tolerance)
    common = STATED if stated.sum() >= (~stated).sum() else CYLINDER
    for name, mask in ((STATED, stated), (CYLINDER, ~stated)):
        if mask.any():
            index = _through(np.where(mask, np.cumsum(mask) - 1, -1), cylinder)
            scale = tolerance[mask] / np.sqrt(3.0) if name == STATED else np.ones(int(mask.sum()))
            usual = float(np.median(scale))
            scale = scale * (1.0 if prior is None else prior.bias_width[mask])
            if name == common:
                unknown, groups = _unknown_cylinders(stratum, cylinder)
                index = np.where(unknown >= 0, scale.size + unknown, index)
                scale = np.append(scale, np.full(groups, usual))
            found.append(CrossedClass(name, index, None, scale.size, scale))
    if chosen.fade:
        width = None if prior is None else prior.fade_width
        found.append(CrossedClass(FADE, stratum.cylinder, stratum.opened, tolerance.size, width))
    if chosen.sessions:
        found.append(CrossedClass(SESSION, stratum.session, None, stratum.sessions.size))
    if chosen.lots:
        lot = stratum.lot[stratum.life]
        found.append(CrossedClass(LOT_LEVEL, lot, None, stratum.lots.size))
        if chosen.slope:
            found.append(CrossedClass(LOT_SLOPE, lot, g, stratum.lots.size))
    if chosen.own_break_in:
        found.append(CrossedClass(BREAK_IN, stratum.life, still_to_come(chosen.break_in, stratum.age), stratum.life_id.size))
    if stratum.segments:
        found.append(CrossedClass(STEP, stratum.segment, None, stratum.segments, stratum.step_size, STEP_VARIANCE))
    return tuple(found)


def _unknown_cylinders(stratum: Stratum, cylinder: IntArray) -> tuple[IntArray, int]:
    """Groups (N,) of the readings of sensors without any cylinder on record where others have some; how many there are.

    Some cylinder was used, one for each session (or reading): taken as free of error they would hold all paths fast.
    """
    found = np.full(cylinder.size, -1, dtype=np.int64)
    missing = cylinder < 0
    if missing.all() or not missing.any():
        return found, 0
    label = np.where(stratum.session >= 0, stratum.session, stratum.sessions.size + np.arange(cylinder.size))
    names, found[missing] = np.unique(label[missing], return_inverse=True)
    return found, names.size


def _through(table: IntArray, index: IntArray) -> IntArray:
    """table[index] where index is a code, -1 where it is -1."""
    if not table.size:
        return np.full(index.size, -1, dtype=np.int64)
    return np.where(index >= 0, table[np.maximum(index, 0)], -1)
