"""The sensing elements of a synthetic fleet: their lots, levels, rates and true paths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sensorhealth.synthetic.curves import CURVES
from sensorhealth.synthetic.scenario import Scenario

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

STEP_DAYS = 7.0
YEAR = 365.25
HORIZON_YEARS = 15.0
DEAD = -3.0
"""ln headroom ratio of a sensor that does not answer any more."""


class Elements:
    """A store of elements that grows; every element has a true path on a weekly grid of its age.

    kind, lot, supplier: whole numbers. level: ln headroom ratio at the start. rate: per year. death: age in days of
    the sudden end (inf: none). path: (elements, weeks) true ln headroom ratio, over HORIZON_YEARS.
    """

    def __init__(self, scenario: Scenario, days: float, rng: np.random.Generator) -> None:
        """days: length of the simulation, for the number of lots."""
        self.scenario, self.rng = scenario, rng
        self.ages = np.arange(0.0, HORIZON_YEARS * YEAR, STEP_DAYS, dtype=np.float64) / YEAR
        kinds, self.lots = len(scenario.kinds), int(days // scenario.lot_days) + 3
        shape = (kinds, self.lots)
        self.lot_level = scenario.lot_level_sd * rng.standard_normal(shape)
        self.lot_rate = np.exp(scenario.lot_rate_sd * rng.standard_normal(shape))
        names = [kind.name for kind in scenario.kinds]
        self.lot_bad = np.zeros(shape, bool)
        for bad in scenario.bad_lots:
            at = names.index(bad.kind), bad.number
            self.lot_level[at], self.lot_rate[at] = bad.level_shift, bad.rate_factor
            self.lot_bad[at] = True
        self.count = 0
        self.kind: IntArray = np.empty(0, np.int64)
        self.lot: IntArray = np.empty(0, np.int64)
        self.curve: IntArray = np.empty(0, np.int64)
        self.weak = np.empty(0, bool)
        self.level, self.rate, self.death, self.shelf = (np.empty(0) for _ in range(4))
        self.path = np.empty((0, self.ages.size))

    def facts(self, name: str, kind: IntArray) -> FloatArray:
        """A figure of the kinds, per element."""
        return np.array([getattr(k, name) for k in self.scenario.kinds], float)[kind]

    def create(self, kind: IntArray, day: FloatArray) -> IntArray:
        """Make new elements installed on `day` (days since the start of the simulation); return their numbers."""
        scenario, rng, m = self.scenario, self.rng, kind.size
        old_stock = rng.random(m) < 0.2
        lot = np.clip((day + scenario.lot_days) // scenario.lot_days - old_stock, 0, self.lots - 1).astype(np.int64)
        z = rng.standard_normal((m, 2))
        weak = rng.random(m) < scenario.weak_at_birth_share
        spread = self.facts("level_spread", kind) * scenario.level_spread_factor
        level = np.log(self.facts("level", kind)) + self.lot_level[kind, lot] + spread * z[:, 0] - 0.35 * weak
        rho = scenario.level_rate_correlation
        deviation = rho * z[:, 0] + np.sqrt(1 - rho**2) * z[:, 1]
        spread = self.facts("rate_spread", kind) * scenario.rate_spread_factor * deviation
        factor = np.exp(spread) if scenario.rate_shape == "lognormal" else 1.0 + spread
        rate = self.facts("rate", kind) * scenario.rate_factor * self.lot_rate[kind, lot] * factor
        u = -np.log(rng.random(m))
        death = YEAR * self.facts("death_years", kind) * u ** (1.0 / self.facts("death_shape", kind))
        curve = self._curves(kind)
        path = level[:, None] + self._shapes(curve, rate) + self._wander(kind)
        death = death if scenario.sudden_deaths else np.full(m, np.inf)
        path += self._collapse(death, self.facts("collapse_days", kind))
        self._append(
            kind=kind, lot=lot, curve=curve, weak=weak, level=level, rate=rate, death=death, path=path,
            shelf=rng.uniform(20, 240, m),
        )  # fmt: skip
        return np.arange(self.count - m, self.count)

    def _append(self, **columns: NDArray) -> None:
        m = columns["kind"].size
        if self.count + m > self.kind.size:
            room = max(256, self.kind.size, m)
            for name in columns:
                old = getattr(self, name)
                setattr(self, name, np.concatenate([old, np.zeros((room, *old.shape[1:]), old.dtype)]))
        for name, values in columns.items():
            getattr(self, name)[self.count : self.count + m] = values
        self.count += m

    def _curves(self, kind: IntArray) -> IntArray:
        names, choice = list(CURVES), self.scenario.curve
        if choice == "mixed":
            return self.rng.integers(0, 3, kind.size)
        own = np.array([names.index(k.curve) for k in self.scenario.kinds])
        return own[kind] if choice == "by kind" else np.full(kind.size, names.index(choice))

    def _shapes(self, curve: IntArray, rate: FloatArray) -> FloatArray:
        out = np.empty((rate.size, self.ages.size))
        for number, shape in enumerate(CURVES.values()):
            rows = curve == number
            out[rows] = shape(self.ages[None, :], rate[rows, None])
        return out

    def _wander(self, kind: IntArray) -> FloatArray | float:
        if self.scenario.wander_factor == 0.0:
            return 0.0
        steps = self.rng.standard_normal((kind.size, self.ages.size), dtype=np.float32).astype(float)
        steps[:, 0] = 0.0
        size = self.facts("wander", kind) * self.scenario.wander_factor * np.sqrt(STEP_DAYS / YEAR)
        return size[:, None] * np.cumsum(steps, axis=1)

    def _collapse(self, death: FloatArray, days: FloatArray) -> FloatArray | float:
        """A sudden end that takes `days`: the path falls by 1.2 in that time."""
        if not (days > 0).any():
            return 0.0
        with np.errstate(invalid="ignore"):
            late = self.ages * YEAR - death[:, None]
            fall = np.clip(late / np.maximum(days, 1.0)[:, None], 0.0, 2.0) * -1.2
        return np.where((days > 0)[:, None] & np.isfinite(death)[:, None], fall, 0.0)

    def latent(self, element: IntArray, age_days: FloatArray) -> FloatArray:
        """True ln headroom ratio at an age, (m,); DEAD after a death that is at once."""
        place = np.clip(age_days / STEP_DAYS, 0, self.ages.size - 1.000001)
        left = place.astype(np.int64)
        part = place - left
        value = (1 - part) * self.path[element, left] + part * self.path[element, left + 1]
        at_once = self.facts("collapse_days", self.kind[element]) == 0
        return np.where(at_once & (age_days >= self.death[element]), DEAD, value)

    def shift(self, element: IntArray, age_days: FloatArray, size: FloatArray) -> None:
        """Add a step of `size` to the true paths from an age on."""
        later = self.ages[None, :] * YEAR >= age_days[:, None]
        self.path[element] += later * size[:, None]

    def ends(self) -> tuple[FloatArray, FloatArray]:
        """Ages (days) at the soft and at the sudden end of all elements, (n,) each; inf where beyond the horizon."""
        path = self.path[: self.count]
        below = path <= 0.0
        first = below.argmax(axis=1)
        rows = np.arange(self.count)
        before = np.maximum(first - 1, 0)
        top, bottom = path[rows, before], path[rows, first]
        part = np.where(top > bottom, top / np.where(top > bottom, top - bottom, 1.0), 0.0)
        crossing = np.where(first > 0, (before + np.clip(part, 0, 1)) * STEP_DAYS, 0.0)
        crossing = np.where(below[rows, first], crossing, np.inf)
        death = self.death[: self.count]
        slow = self.facts("collapse_days", self.kind[: self.count]) > 0
        collapsed = slow & (crossing >= death)
        soft = np.where(collapsed, np.inf, crossing)
        return soft, np.where(slow, np.where(collapsed, crossing, np.inf), death)
