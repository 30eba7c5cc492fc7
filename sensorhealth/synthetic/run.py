"""The run of a synthetic fleet through time, week by week: installing, ageing, calibrating, removing."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.synthetic.bench import Bench
from sensorhealth.synthetic.elements import STEP_DAYS, YEAR, Elements
from sensorhealth.synthetic.gas import Cylinders
from sensorhealth.synthetic.scenario import Scenario

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Run:
    """State of the fleet. Times are days since the start of the simulation, `before_years` before the records begin.

    Positions (sockets in instruments) hold elements; an element carries the number of the sensor in the user's table,
    which an unrecorded swap leaves as it was. `events` are [kind, element, day, size].
    """

    def __init__(self, n_sensors: int, scenario: Scenario, streams: list[np.random.Generator]) -> None:
        self.scenario, self.n_sensors = scenario, n_sensors
        self.rng = streams[0]
        start, end = pd.Timestamp(scenario.records_start), pd.Timestamp(scenario.records_end)
        self.before = round(scenario.before_years * YEAR / STEP_DAYS) * STEP_DAYS
        self.days = self.before + (end - start).days
        self.origin = start - pd.Timedelta(days=self.before)
        self.sites = scenario.sites or max(4, round(n_sensors / 120))
        self.elements = Elements(scenario, self.days, streams[1])
        self.cylinders = Cylinders(scenario, streams[2])
        self.bench = Bench(self, streams[3])
        # positions
        self.kind: IntArray = np.empty(0, np.int64)
        self.site: IntArray = np.empty(0, np.int64)
        self.instrument: IntArray = np.empty(0, np.int64)
        self.element: IntArray = np.empty(0, np.int64)
        self.ready = np.empty(0)  # day from which an empty position can be filled
        self.swap_of: IntArray = np.empty(0, np.int64)  # sensor number that an unrecorded swap goes on with, -1 none
        # elements, beside the store
        self.sensor_of: list[int] = []
        self.installed: list[float] = []
        self.position_of: list[int] = []
        self.left: dict[int, float] = {}  # element -> day it left the position
        # sensors of the table
        self.removed: dict[int, tuple[float, str]] = {}
        self.sensors = 0
        self.budget = 10**9
        self.removals, self.position_days = 0, 0.0
        self.events: list[tuple[str, int, float, float]] = []

    def go(self) -> Run:
        """Run to the end of the records."""
        names = [kind.name for kind in self.scenario.kinds]
        share = np.array([share for share, _ in self.scenario.instruments])
        self._share = share / share.sum()
        self._parts = [np.array([names.index(part) for part in parts]) for _, parts in self.scenario.instruments]
        self._open(round(self.n_sensors * (0.5 if self.scenario.growth else 1.0)), start=True)
        begun = False
        for day in np.arange(0.0, self.days + 1, STEP_DAYS):
            if not begun and day >= self.before:
                begun = True
                self._begin()
            if begun:
                self._grow(day)
            fresh = self._fill(day)
            self._happen(day)
            self.bench.day(day, fresh, recorded=begun)
            self.position_days += STEP_DAYS * (self.element >= 0).sum()
        return self

    def _begin(self) -> None:
        """The records begin: sensors in service now are the first of the wanted number."""
        self.swap_of[:] = -1  # a swap under way is an ordinary new sensor of the records
        live = int((self.element >= 0).sum())
        keep = min(live, self.n_sensors)
        if keep < live:
            self.element[np.nonzero(self.element >= 0)[0][keep:]] = -1
            self.ready[self.element < 0] = np.inf
        self.budget = self.n_sensors - keep
        self.first_live = self.element[self.element >= 0]

    def _open(self, sensors: int, start: bool = False) -> None:
        """Add instruments with `sensors` positions in all; the last instrument may be short of some."""
        if sensors <= 0:
            return
        choice = self.rng.choice(len(self._parts), size=sensors, p=self._share)
        sizes = np.array([part.size for part in self._parts])[choice]
        number = int(np.searchsorted(np.cumsum(sizes), sensors)) + 1
        kind = np.concatenate([self._parts[c] for c in choice[:number]])[:sensors]
        instrument = np.repeat(np.arange(number), sizes[:number])[:sensors]
        offset = int(self.instrument.max()) + 1 if self.instrument.size else 0
        weights = np.linspace(1.4, 0.6, self.sites) if self.sites > 1 else np.ones(1)
        site = self.rng.choice(self.sites, size=number, p=weights / weights.sum())[instrument]
        self.kind, self.site = np.r_[self.kind, kind], np.r_[self.site, site]
        self.instrument = np.r_[self.instrument, instrument + offset]
        self.element = np.r_[self.element, np.full(sensors, -1)]
        self.swap_of = np.r_[self.swap_of, np.full(sensors, -1)]
        late = self.rng.uniform(0, 0.8 * self.before, number)[instrument] if start else np.zeros(sensors)
        self.ready = np.r_[self.ready, late]
        self.bench.widen(sensors)

    def _grow(self, day: float) -> None:
        """Open instruments so that the wanted number of sensors is reached at the end, replacements included."""
        if not self.scenario.growth:
            return
        left = self.days - day
        rate = max(self.removals / max(self.position_days, 1.0), 0.2 / YEAR)
        active = int((self.element >= 0).sum())
        waiting = int(((self.element < 0) & np.isfinite(self.ready) & (self.swap_of < 0)).sum())
        spare = self.budget - waiting - rate * active * left
        if left < 60:
            self._open(max(0, self.budget - waiting))
        elif self.rng.random() < 0.25:  # a delivery about once a month
            self._open(int(spare * min(1.0, 4 * STEP_DAYS / left)))

    def _fill(self, day: float) -> IntArray:
        """Install new elements in positions that are ready; return these positions."""
        empty = np.nonzero((self.element < 0) & (self.ready <= day))[0]
        swaps = self.swap_of[empty] >= 0
        normal = empty[~swaps][: self.budget]
        places = np.sort(np.r_[empty[swaps], normal])
        if not places.size:
            return places
        self.budget -= normal.size
        numbers = self.elements.create(self.kind[places], np.full(places.size, day))
        for place, number in zip(places, numbers):
            sensor = int(self.swap_of[place])
            if sensor < 0:
                sensor = self.sensors
                self.sensors += 1
            else:
                self.events.append(("swap", int(number), day, float(self.elements.level[number])))
            self.sensor_of.append(sensor)
            self.installed.append(day)
            self.position_of.append(int(place))
        self.element[places] = numbers
        self.swap_of[places] = -1
        return places

    def _happen(self, day: float) -> None:
        """Steps, poisonings, cleanings and removals that have nothing to do with the readings."""
        scenario, rng = self.scenario, self.rng
        years = STEP_DAYS / YEAR
        live = np.nonzero(self.element >= 0)[0]
        u = rng.random((3, live.size))
        spill = rng.random(self.sites) < scenario.poisoning_per_site_year * years
        poisonable = np.array([kind.poisonable for kind in scenario.kinds])[self.kind[live]]
        poisoned = spill[self.site[live]] & poisonable & (u[0] < 0.6)
        stepped = ~poisoned & (u[0] < scenario.step_per_year * years)
        low, high = scenario.step_size
        self._shift("step", live[stepped], day, -rng.uniform(low, high, stepped.sum()))
        self._shift("poisoning", live[poisoned], day, -rng.uniform(0.1, 0.9, poisoned.sum()))
        if scenario.cleanings:
            rate = np.array([kind.cleanings for kind in scenario.kinds])[self.kind[live]]
            cleaned = u[1] < rate * years
            self._shift("cleaning", live[cleaned], day, rng.uniform(0.1, 0.35, cleaned.sum()))
        out = live[u[2] < scenario.random_removal_per_year * years]
        reasons = rng.choice(["precaution", "lost", "damaged", "other"], size=out.size, p=[0.5, 0.2, 0.2, 0.1])
        self.remove(out, day, reasons)

    def _shift(self, kind: str, places: IntArray, day: float, size: FloatArray) -> None:
        if not places.size:
            return
        element = self.element[places]
        self.elements.shift(element, day - self.age_origin(element), size)
        self.events += [(kind, int(e), day, float(s)) for e, s in zip(element, size)]

    def age_origin(self, element: IntArray) -> FloatArray:
        """Day of installation of elements, (m,)."""
        return np.array([self.installed[e] for e in element], float)

    def remove(self, places: IntArray, day: float, reasons: NDArray[np.str_]) -> None:
        """Take the elements of these positions out; a share of the replacements goes unrecorded."""
        self.removals += places.size
        wait = self.rng.uniform(0, 12, places.size)
        unrecorded = self.rng.random(places.size) < self.scenario.unrecorded_swap_share
        for place, reason, secret in zip(places, reasons, unrecorded):
            element = int(self.element[place])
            self.left[element] = day
            if secret:
                self.swap_of[place] = self.sensor_of[element]
            else:
                self.removed[self.sensor_of[element]] = (day, str(reason))
        self.element[places] = -1
        self.ready[places] = day + wait
