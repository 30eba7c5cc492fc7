"""One stratum with its groups (lots, suppliers, sites, ...) as fixed effects on level and ageing rate."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.compare.wald import FixedEffects, Wald, fixed_effects
from sensorhealth.degradation import reml
from sensorhealth.degradation.effects import LOT_LEVEL, LOT_SLOPE
from sensorhealth.degradation.reml_data import CrossedClass, CrossedData, VarianceParameters
from sensorhealth.degradation.reml_fit import CrossedFit

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MOST_FIXED = 8
"""Values of an adjusting column up to which they are fixed effects; more are drawn from a normal distribution."""
FEWEST_SENSORS = 2
FEWEST_READINGS = 3
SHORTEST_SPAN = 0.05
"""Years of age that a group's readings must span."""
TOLERANCE, ROUGH = 1e-9, 1e-3
"""Decrease of the deviance at which the search for the variances ends, for up to LARGE sensors and for more."""
LARGE = 2000
DEPENDENT = 1e-9
"""Relative eigenvalue below which columns depend on each other."""


@dataclass(frozen=True)
class Grouped:
    """A stratum fitted with its groups.

    fit: the kernel's; effects: its fixed effects. level, slope: (L,) columns of the groups' level (at age zero) and
    slope per unit of the time scale among the fixed effects, -1 where a group has too little to stand alone (its
    sensors are then one group with others like it, which is in the fit but in no comparison). sensors, readings: (L,)
    counts. part: (L,) groups of the same number can be compared with each other; between numbers a difference cannot
    be told from the adjusting columns.
    """

    fit: CrossedFit
    effects: FixedEffects
    level: IntArray
    slope: IntArray
    sensors: IntArray
    readings: IntArray
    part: IntArray

    def rows(self, columns: IntArray) -> FloatArray:
        """Unit rows (k, p) that pick fixed effects."""
        out = np.zeros((columns.size, self.fit.beta.size))
        out[np.arange(columns.size), columns] = 1.0
        return out

    def rest(self, group: int, columns: IntArray, odd: BoolArray | None = None) -> FloatArray | None:
        """Row (p,) of the mean over the other groups comparable with `group`, weighted by sensors; None if there are none.

        odd: (L,) groups that are not to count.
        """
        others = (self.part == self.part[group]) & (columns >= 0)
        others[group] = False
        if odd is not None:
            others &= ~odd
        if not others.any():
            return None
        out = np.zeros(self.fit.beta.size)
        out[columns[others]] = self.sensors[others] / self.sensors[others].sum()
        return out

    def contrasts(self, rows: FloatArray) -> Wald:
        """Wald contrasts of rows (k, p)."""
        return self.effects.contrasts(rows)


def fit_groups(
    data: CrossedData,
    group: IntArray,
    groups: int,
    adjust: tuple[IntArray, ...] = (),
    nested: IntArray | None = None,
    start: VarianceParameters | None = None,
    brownian: bool = False,
    adjust_errors: bool | None = None,
) -> Grouped:
    """Fit the groups of a stratum.

    data: the stratum's arrays, whose first two fixed effects are the common level and slope (as `crossed_data` makes
    them) and whose lot effects, if any, are replaced. group: (n,) code of each sensor, -1 none. adjust: codes (n,) of
    columns to adjust for on level and slope. nested: codes (n,) of units within which sensors share effects (lots, when
    suppliers are compared). start: variances to start from. adjust_errors: for the uncertainty of the variances
    (None: where it matters). Raises FitError where the readings cannot carry the fit.
    """
    n = data.sensors
    group, nested = _padded(group, n), None if nested is None else _padded(nested, n)
    sensor = np.repeat(np.arange(n), np.diff(data.offsets))
    real = data.x[:, 0] != 0
    code, sensors, readings = _usable(group, groups, sensor, data, real)
    columns = np.unique(code[(code >= 0) & (code < groups)])
    count = columns.size
    place = np.full(groups + 2, -1)
    place[columns] = np.arange(count)
    if (code == groups).any():
        place[groups] = count
    member = place[code][sensor]
    indicator = ((member[:, None] == np.arange(count + 1)) & real[:, None]).astype(float)
    own, pool = indicator[:, :count], indicator[:, count:]
    parts = [own, own * data.g[:, None], pool, pool * data.g[:, None]]
    classes = [c for c in data.classes if c.name not in (LOT_LEVEL, LOT_SLOPE)]
    for number, values in enumerate(adjust):
        values = _padded(values, n)
        distinct = np.unique(values[(values >= 0) & (code >= 0)])
        if 2 <= distinct.size <= MOST_FIXED:
            parts += _fixed_columns(values, distinct, code, sensor, data.g, real)
        elif distinct.size > MOST_FIXED:
            classes += _random_columns(f"adjusted {number + 1}", values, sensor, data.g)
    if nested is not None and np.unique(nested[nested >= 0]).size > 1:
        classes += _random_columns("unit", nested, sensor, data.g)
    parts.append(data.x[:, 2:])
    x, alike = _independent(np.hstack(parts), 2 * count)
    known = None if start is None else _matching(start, classes)
    fit = reml.fit(
        replace(data, x=x, classes=tuple(classes)), start=known, brownian=brownian, tolerance=TOLERANCE if n < LARGE else ROUGH
    )
    level = place[:groups]
    slope = np.where(level >= 0, level + count, -1)
    part = np.where(level >= 0, _parts(alike[count : 2 * count])[level] if count else -1, -1)
    return Grouped(fit, fixed_effects(fit, adjust_errors), level, slope, sensors[:groups], readings[:groups], part)


def _padded(values: IntArray, n: int) -> IntArray:
    """Codes for n sensors; what stands for no sensor (added for censored readings) has none."""
    return np.r_[values, np.full(n - values.size, -1)].astype(np.int64)


def _usable(
    group: IntArray, groups: int, sensor: IntArray, data: CrossedData, real: BoolArray
) -> tuple[IntArray, IntArray, IntArray]:
    """Codes (n,) with small groups and sensors of no group put into one more group; counts of sensors and readings."""
    counts = np.bincount(sensor[real], minlength=data.sensors)
    read = counts > 0
    sensors = np.bincount(group[read & (group >= 0)], minlength=groups + 1)
    readings = np.bincount(group[group >= 0], counts[group >= 0], groups + 1).astype(np.int64)
    repeated = np.bincount(group[(counts > 1) & (group >= 0)], minlength=groups + 1)
    youngest, oldest = np.full(groups + 1, np.inf), np.full(groups + 1, -np.inf)
    np.minimum.at(youngest, group[sensor[real]], data.g[real])  # -1 falls on the last, which is not read
    np.maximum.at(oldest, group[sensor[real]], data.g[real])
    enough = (sensors >= FEWEST_SENSORS) & (repeated >= FEWEST_SENSORS) & (readings >= FEWEST_READINGS * FEWEST_SENSORS)
    enough &= oldest - youngest > SHORTEST_SPAN
    code = np.where((group >= 0) & enough[group], group, groups)
    return np.where(read, code, -1), sensors, readings


def _fixed_columns(
    values: IntArray, distinct: IntArray, code: IntArray, sensor: IntArray, g: FloatArray, real: BoolArray
) -> list[FloatArray]:
    """Columns for all but the first value, on level and slope, centred over sensors so that groups stand at the mean
    mix."""
    used = code >= 0
    dummy = (values[:, None] == distinct[1:]).astype(float)
    dummy -= dummy[used].mean(0)
    rows = dummy[sensor] * real[:, None]
    return [rows, rows * g[:, None]]


def _random_columns(name: str, values: IntArray, sensor: IntArray, g: FloatArray) -> list[CrossedClass]:
    """Random level and slope for each value."""
    codes = np.unique(values[values >= 0], return_inverse=True)[1]
    index = np.full(values.size, -1)
    index[values >= 0] = codes
    size = int(codes.max()) + 1
    return [
        CrossedClass(f"{name} level", index[sensor], None, size),
        CrossedClass(f"{name} slope", index[sensor], g, size),
    ]


def _independent(x: FloatArray, keep: int) -> tuple[FloatArray, FloatArray]:
    """x without columns beyond the first `keep` that depend on those before; its null space (columns, d), scaled to 1."""
    scale = np.sqrt((x * x).sum(0))
    scaled = x / np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh(scaled.T @ scaled)
    null = vectors[:, values < DEPENDENT * max(values[-1], 1.0)] / np.where(scale > 0, scale, 1.0)[:, None]
    null = null / max(float(np.abs(null).max(initial=0.0)), 1e-300)
    if not null.shape[1]:
        return x, null
    chosen = list(range(keep))
    basis = np.linalg.qr(scaled[:, :keep])[0]
    for column in range(keep, x.shape[1]):
        rest = scaled[:, column]
        for _ in range(2):
            rest = rest - basis @ (basis.T @ rest)
        length = float(np.sqrt(rest @ rest))
        if length > np.sqrt(DEPENDENT):
            chosen.append(column)
            basis = np.column_stack([basis, rest / length])
    return x[:, chosen], null


def _parts(null: FloatArray) -> IntArray:
    """Number (L,) of the part of each group: differences are estimable where the rows of the null space are equal."""
    if not null.shape[1]:
        return np.zeros(len(null), np.int64)
    rounded = np.round(null, 5) + 0.0
    return np.unique(rounded, axis=0, return_inverse=True)[1].astype(np.int64).ravel()


def _matching(start: VarianceParameters, classes: list[CrossedClass]) -> VarianceParameters:
    """Starting variances for exactly these classes."""
    small = 0.01 * start.residual
    return replace(start, crossed={c.name: start.crossed.get(c.name, small) for c in classes})
