"""The cylinders of a synthetic fleet: opened when the last is used up or past its date, most within tolerance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sensorhealth.synthetic.kinds import MIXTURE
from sensorhealth.synthetic.scenario import Scenario

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

YEAR = 365.25


class Cylinders:
    """Cylinders by group: one group per site and gas (or mixture); in each group one cylinder is in use at a time.

    gas_slot: per kind of sensor, its place among the gases of its cylinder. Lists hold one entry per cylinder ever
    opened.
    """

    def __init__(self, scenario: Scenario, rng: np.random.Generator) -> None:
        self.scenario, self.rng = scenario, rng
        gases = list(dict.fromkeys(kind.gas for kind in scenario.kinds))
        mixed = [gas for gas in MIXTURE if gas in gases] if scenario.mixtures else []
        bundles = [mixed] if len(mixed) > 1 else []
        bundles += [[gas] for gas in gases if not (len(mixed) > 1 and gas in mixed)]
        self.bundles = bundles
        by_gas = {gas: (number, slot) for number, bundle in enumerate(bundles) for slot, gas in enumerate(bundle)}
        self.bundle = np.array([by_gas[kind.gas][0] for kind in scenario.kinds])
        self.slot = np.array([by_gas[kind.gas][1] for kind in scenario.kinds])
        self.kind_of_gas = {kind.gas: kind for kind in reversed(scenario.kinds)}
        self.group: list[int] = []
        self.opened: list[float] = []
        self.expires: list[float] = []
        self.bias: list[FloatArray] = []
        self.fade: list[FloatArray] = []
        self.faulty: list[FloatArray] = []
        self._current: dict[int, list[int]] = {}  # group -> [cylinder, uses left]

    def use(self, group: int, exposures: int, day: float) -> IntArray:
        """Cylinder for each of `exposures` uses in a row at one group on one day, (exposures,)."""
        out = np.empty(exposures, np.int64)
        done = 0
        current = self._current.get(group)
        if current and day > self.expires[current[0]] and self.rng.random() >= self.scenario.used_after_expiry_chance:
            current = None
        while done < exposures:
            if current is None or current[1] == 0:
                low, high = self.scenario.cylinder_uses
                current = [self._open(group, day), int(np.exp(self.rng.uniform(np.log(low), np.log(high + 1))))]
            take = min(current[1], exposures - done)
            out[done : done + take] = current[0]
            done += take
            current[1] -= take
        if current is not None:
            self._current[group] = current
        return out

    def _open(self, group: int, day: float) -> int:
        """A new cylinder; draws the same number of random numbers whatever the scenario."""
        scenario, rng = self.scenario, self.rng
        bundle = self.bundles[group % len(self.bundles)]
        kinds = [self.kind_of_gas[gas] for gas in bundle]
        tolerance = np.array([kind.tolerance_pct for kind in kinds]) / 100.0
        z, u = rng.standard_normal(len(bundle)), rng.random((4, len(bundle)))
        bias = np.clip(0.5 * tolerance * z, -tolerance, tolerance) * scenario.bias_factor
        weak = u[0] < scenario.weak_cylinder_share
        strong = (u[0] >= scenario.weak_cylinder_share) & (u[0] < scenario.weak_cylinder_share + scenario.strong_cylinder_share)
        low, high = scenario.weak_size
        size = tolerance * (low + (high - low) * u[1])
        bias = np.where(weak, -size, np.where(strong, size, bias))
        fading = np.array([kind.fades for kind in kinds]) & (u[2] < scenario.fading_share)
        low, high = scenario.fade_per_year
        self.group.append(group)
        self.opened.append(day)
        months = min(kind.certified_months for kind in kinds)
        self.expires.append(np.floor(day + months / 12.0 * YEAR - rng.uniform(20, 120)))
        self.bias.append(bias)
        self.fade.append(np.where(fading, -(low + (high - low) * u[3]), 0.0))
        self.faulty.append(weak | strong)
        return len(self.group) - 1

    def effect(self, cylinder: IntArray, kind: IntArray, day: float) -> FloatArray:
        """ln(true / label) of the gas that each reading meets, (m,)."""
        seen, place = np.unique(cylinder, return_inverse=True)
        width = max(len(bundle) for bundle in self.bundles)
        bias, fade = np.zeros((2, seen.size, width))
        for row, c in enumerate(seen):
            bias[row, : self.bias[c].size], fade[row, : self.fade[c].size] = self.bias[c], self.fade[c]
        age = day - np.array([self.opened[c] for c in seen])[place]
        slot = self.slot[kind]
        return bias[place, slot] + fade[place, slot] * age / YEAR
