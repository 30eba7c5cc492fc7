"""Readings and lives as arrays: one stratum (technology x gas) at a time, sorted by life and age, names as codes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
ObjectArray = NDArray[np.object_]


@dataclass(frozen=True)
class GasPrior:
    """What is held of each cylinder (C,) before its readings: means of its bias (ln ratio) and fade (per year), and their
    standard deviations in units of an ordinary cylinder's.
    """

    bias_mean: FloatArray
    bias_width: FloatArray
    fade_mean: FloatArray
    fade_width: FloatArray


@dataclass(frozen=True)
class Stratum:
    """The readings (N) and lives (n) of one technology x gas, sorted by life and then age.

    row (N,) position in the readings frame; offsets (n+1,): the readings of life i are offsets[i]:offsets[i+1].
    age (N,) years, y (N,) ln headroom ratio, censoring (N,) as in the readings frame.
    lot (n,) code into lots, -1 none. cylinder (N,) code into cylinders, -1 none; tolerance (C,) relative, NaN unknown;
    opened (N,) years since opening. session (N,) code into sessions, -1 none. covariates (N,q), centred, 0 where
    missing; centres (q,). segment (N,) code of the stretch after a step, -1 before any; last_segment (n,) that of the
    present. reference: positions of first readings that are one value by definition and therefore say nothing.
    reference_value (n,): that value for the lives that have one, NaN for the others.
    remarks: what could not be used, in words. gas_prior: of each cylinder, None where all are ordinary.
    """

    name: str
    technology: str
    gas: str
    life_id: ObjectArray
    lot: IntArray
    lots: ObjectArray
    row: IntArray
    offsets: IntArray
    age: FloatArray
    y: FloatArray
    censoring: NDArray[np.int8]
    cylinder: IntArray
    cylinders: ObjectArray
    tolerance: FloatArray
    opened: FloatArray
    session: IntArray
    sessions: ObjectArray
    covariates: FloatArray
    covariate_names: tuple[str, ...]
    centres: FloatArray
    segment: IntArray
    last_segment: IntArray
    segments: int
    step_size: FloatArray
    reference: IntArray
    reference_value: FloatArray
    remarks: tuple[str, ...]
    gas_prior: GasPrior | None = None

    @property
    def unvalued(self) -> bool:
        """Whether there are readings, none with a value: passes and failures alone show no path."""
        return self.censoring.size > 0 and not bool((self.censoring == 0).any())

    @property
    def one_sided(self) -> bool:
        """Whether there are readings, all passes or all failures without a value: any path on that side is as likely."""
        return self.unvalued and bool((self.censoring == self.censoring[0]).all())

    @property
    def counts(self) -> IntArray:
        """Readings per life (n,)."""
        return np.diff(self.offsets)

    @property
    def life(self) -> IntArray:
        """Life code of each reading (N,)."""
        return np.repeat(np.arange(self.life_id.size), self.counts)

    @cached_property
    def probable_cylinder(self) -> IntArray:
        """Cylinder (N,) of each reading; where it is not on record, the one that its sensor met before, or else after, if any."""
        missing = self.cylinder < 0
        if not missing.any() or missing.all():
            return self.cylinder
        met = pd.Series(np.where(missing, np.nan, self.cylinder)).groupby(self.life)
        return met.ffill().fillna(met.bfill()).fillna(-1.0).to_numpy().astype(np.int64)

    @cached_property
    def gas_mean(self) -> FloatArray:
        """What is held of the gas of each reading beforehand (N,), ln ratio."""
        prior = self.gas_prior
        if prior is None or not self.tolerance.size:
            return np.zeros(self.y.size)
        bias = np.where(self.probable_cylinder >= 0, prior.bias_mean[self.probable_cylinder], 0.0)
        return bias + np.where(self.cylinder >= 0, prior.fade_mean[self.cylinder] * self.opened, 0.0)

    @property
    def last(self) -> IntArray:
        """Position of each life's last reading (n,), -1 where it has none."""
        return np.where(self.counts > 0, self.offsets[1:] - 1, -1)

    @property
    def oldest(self) -> float:
        """Largest age read (years), 0 without readings."""
        return float(self.age.max()) if self.age.size else 0.0

    @property
    def last_age(self) -> FloatArray:
        """Age at each life's last reading (n,), NaN where it has none."""
        found = np.full(self.life_id.size, np.nan)
        read = self.last >= 0
        found[read] = self.age[self.last[read]]
        return found


def codes(labels: pd.Series | ObjectArray, known: ObjectArray | None = None) -> tuple[IntArray, ObjectArray]:
    """Integer codes of text labels and the labels by code; "" and missing are -1; labels `known` keep their codes."""
    met, cells = pd.factorize(np.asarray(labels, dtype=object))
    words = [str(cell) for cell in cells]
    names = dict.fromkeys([*([] if known is None else known), *filter(None, words)])
    place = {name: code for code, name in enumerate(names)}
    table = np.array([*(place.get(word, -1) for word in words), -1], dtype=np.int64)
    found = np.empty(len(names), dtype=object)
    found[:] = list(names)
    return table[met], found


def segments(life: IntArray, time: pd.Series, steps_life: IntArray, steps_time: pd.Series) -> tuple[IntArray, IntArray]:
    """Code of the last step at or before each reading (-1 none), and the order in which steps got their codes.

    life (N,), steps_life (k,) codes of lives; times as datetimes. One sorted key of life and second serves all lives.
    """
    if not steps_life.size:
        return np.full(life.size, -1, dtype=np.int64), np.zeros(0, dtype=np.int64)
    start = min(time.min(), steps_time.min())
    width = np.int64(2) ** 33

    def keys(lives: IntArray, times: pd.Series) -> IntArray:
        return lives * width + ((times - start) // pd.Timedelta(seconds=1)).to_numpy(dtype=np.int64)

    order = np.argsort(keys(steps_life, steps_time), kind="stable")
    step_keys = keys(steps_life, steps_time)[order]
    latest = np.searchsorted(step_keys, keys(life, time), side="right") - 1
    own = (latest >= 0) & (steps_life[order][np.maximum(latest, 0)] == life)
    return np.where(own, latest, -1), order.astype(np.int64)
