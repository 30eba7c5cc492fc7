"""Arrays that go into the crossed mixed model and variance parameters that come out of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sensorhealth.errors import FitError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Places = NDArray[np.signedinteger]  # positions, in as few bytes as they need
Where = slice | IntArray  # a run of rows, or chosen ones
Method = Literal["REML", "ML"]
RandomEffects = Literal["intercept+slope", "intercept", "slope", "none"]
RANDOM_EFFECTS: tuple[RandomEffects, ...] = ("intercept+slope", "intercept", "slope", "none")


@dataclass(frozen=True)
class CrossedClass:
    """One class of random effects that crosses the sensors and has one variance (cylinders, sessions, lots, ...).

    Effect c of column k has variance (class variance) * scale[k]**2; a reading receives value * c[index].
    """

    name: str
    index: IntArray  # (N,) column of this class that each reading touches, -1 for none
    value: FloatArray | None = None  # (N,) coefficient, None = 1
    size: int = 0  # number of columns
    scale: FloatArray | None = None  # (size,) known relative standard deviations, None = 1
    fixed_variance: float | None = None  # absolute variance if it is not to be estimated


@dataclass(frozen=True)
class Returning:
    """A wander of the readings about the path that comes back.

    keep (N,): share of it that is left since the sensor's reading before, less than 1, and 0 at the first; share: its variance,
    in residual variances.
    """

    keep: FloatArray
    share: float


@dataclass(frozen=True)
class CrossedData:
    """Readings of n sensors, sorted by sensor and by g within a sensor.

    The model of reading j of sensor i is
    ``y = x'beta + a_i + b_i g + W_i(g) + sum over classes value * c[index] + e``, with e of variance residual / weight; e is
    correlated besides where there is a wander `returning`.
    """

    y: FloatArray  # (N,)
    x: FloatArray  # (N, p) fixed effects
    offsets: IntArray  # (n+1,) readings of sensor i are offsets[i]:offsets[i+1]; empty sensors are allowed
    g: FloatArray  # (N,) time scale: random-slope regressor and clock of the Brownian wander, W(0) = 0
    weights: FloatArray | None = None  # (N,) relative precisions, > 0
    classes: tuple[CrossedClass, ...] = ()
    random: RandomEffects = "intercept+slope"
    returning: Returning | None = None

    @property
    def sensors(self) -> int:
        return len(self.offsets) - 1

    @property
    def keep(self) -> FloatArray | None:
        """Share (N,) of a wander that comes back which is left since the reading before; None without one."""
        return None if self.returning is None else self.returning.keep


@dataclass(frozen=True)
class VarianceParameters:
    """Variances in absolute terms (squared units of y)."""

    residual: float
    sensor: FloatArray  # (2, 2) covariance of (intercept, slope per unit g); zeros where not in the model
    crossed: dict[str, float] = field(default_factory=dict)
    brownian: float = 0.0  # variance of the wander per unit of g
    returning: float = 0.0  # variance of the readings' wander that comes back


@dataclass(frozen=True)
class Penalty:
    """Weak knowledge about the variances, added to the deviance; vanishes beside the data as sensors accumulate.

    boundary: multiplies -2 log of every relative standard deviation (Wishart / gamma penalty of Chung, Rabe-Hesketh,
        Dorie, Gelman and Liu 2013, Psychometrika 78:685-709), which keeps estimates off zero in small fleets.
    centre, weight: adds weight * (ln(relative sd) - ln(centre's relative sd))**2 for every standard deviation whose
        centre is positive; it lets a small group borrow from a larger one.
    """

    boundary: float = 1.0
    centre: VarianceParameters | None = None
    weight: float = 0.0


def check_data(data: CrossedData, *, brownian: bool = False, alone: bool = True) -> None:
    """Raise FitError where the arrays do not fit together or hold values that no model can use.

    alone: whether these are all the readings; a shard may have fewer than the model has fixed effects.
    """
    n = len(data.y)
    if data.random not in RANDOM_EFFECTS:
        raise FitError(f"random effects '{data.random}' are not known; expected one of {', '.join(RANDOM_EFFECTS)}")
    if data.x.ndim != 2 or len(data.x) != n or len(data.g) != n:
        raise FitError(f"y has {n} readings but x has shape {data.x.shape} and g {data.g.shape}")
    if len(data.offsets) < 1 or data.offsets[0] != 0 or data.offsets[-1] != n or np.any(np.diff(data.offsets) < 0):
        raise FitError("offsets must rise from 0 to the number of readings")
    if alone and n <= data.x.shape[1]:
        raise FitError(f"{n} readings cannot determine {data.x.shape[1]} fixed effects and a residual variance")
    for name, array in (("y", data.y), ("x", data.x), ("g", data.g)):
        if not np.all(np.isfinite(array)):
            raise FitError(f"{name} holds {int((~np.isfinite(array)).sum())} values that are not finite")
    if data.weights is not None and not (
        len(data.weights) == n and np.all(data.weights > 0) and np.all(np.isfinite(data.weights))
    ):
        raise FitError("weights must be positive and finite, one for each reading")
    for crossed in data.classes:
        _check_class(crossed, n)
    if len({crossed.name for crossed in data.classes}) < len(data.classes):
        raise FitError("two classes of crossed effects carry the same name")
    if brownian:
        _check_clock(data)


def _check_class(crossed: CrossedClass, n: int) -> None:
    if len(crossed.index) != n or (n and (crossed.index.min() < -1 or crossed.index.max() >= crossed.size)):
        raise FitError(f"class '{crossed.name}': index must have {n} entries between -1 and {crossed.size - 1}")
    if crossed.value is not None and (len(crossed.value) != n or not np.all(np.isfinite(crossed.value))):
        raise FitError(f"class '{crossed.name}': value must have {n} finite entries")
    if crossed.scale is not None and (
        len(crossed.scale) != crossed.size or not np.all(np.isfinite(crossed.scale)) or np.any(crossed.scale < 0)
    ):
        raise FitError(f"class '{crossed.name}': scale must have {crossed.size} finite entries that are not negative")
    if crossed.fixed_variance is not None and not (np.isfinite(crossed.fixed_variance) and crossed.fixed_variance >= 0):
        raise FitError(f"class '{crossed.name}': the fixed variance must be finite and not negative")


def _check_clock(data: CrossedData) -> None:
    keep = None if data.returning is None else data.returning.keep
    if keep is not None and not (len(keep) == len(data.y) and np.all((keep >= 0) & (keep < 1))):
        raise FitError("what is left of a wander since the reading before must be one share for each reading, below 1")
    if len(data.g) and data.g.min() < 0:
        raise FitError(f"the Brownian clock starts at g = 0, but g goes down to {data.g.min():.6g}")
    step = np.diff(data.g)
    inside = np.ones(len(step), dtype=bool)
    border = data.offsets[1:-1]
    inside[border[(border > 0) & (border < len(data.g))] - 1] = False
    if np.any(step[inside] < 0):
        raise FitError("readings must be in order of g within each sensor")


def crossed_variances(classes: tuple[CrossedClass, ...], values: Mapping[str, float]) -> FloatArray:
    """Absolute variance of every class in order; fixed ones come from the class itself. Shape (K,)."""
    missing = [c.name for c in classes if c.fixed_variance is None and c.name not in values]
    if missing:
        raise FitError(f"no variance given for crossed class '{missing[0]}'")
    return np.array([values[c.name] if c.fixed_variance is None else c.fixed_variance for c in classes], float)
