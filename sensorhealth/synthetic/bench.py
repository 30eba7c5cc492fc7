"""The bench of a synthetic fleet: what gas, hands and instruments make of the true paths."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sensorhealth.synthetic.elements import DEAD, YEAR

if TYPE_CHECKING:
    from sensorhealth.synthetic.run import Run

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

REMOVED_AT_FAILURE = 0.93
"""Share of failed calibrations after which the sensor is removed at once."""


class Bench:
    """Calibrations of the positions of a run; `log` holds one dict of equally long arrays per day."""

    def __init__(self, run: Run, rng: np.random.Generator) -> None:
        self.run, self.rng = run, rng
        self.log: list[dict[str, NDArray]] = []
        self.rows = 0
        self.sessions: list[tuple[int, float, int, float]] = []  # site, day, technician, effect
        self.adjusted = np.empty(0)  # ln ratio seen at the last span adjustment, NaN none
        self.zero_error = np.empty(0)  # reading in clean air that the last zero left behind, relative to the applied gas

    def widen(self, positions: int) -> None:
        """Make room for more positions."""
        self.adjusted = np.r_[self.adjusted, np.full(positions, np.nan)]
        self.zero_error = np.r_[self.zero_error, np.zeros(positions)]

    def day(self, day: float, fresh: IntArray, recorded: bool) -> None:
        """Calibrate what is due this week, and the newly installed."""
        run, scenario = self.run, self.run.scenario
        self.adjusted[fresh] = np.nan
        self.zero_error[fresh] = 0.0
        sites = np.arange(run.sites)
        interval = np.array(scenario.intervals)[sites % len(scenario.intervals)]
        due = (day + 7 * (sites // len(scenario.intervals))) % interval == 0
        visited = due[run.site] & (self.rng.random(run.site.size) >= scenario.skipped_share)
        visited[fresh] = True
        places = np.nonzero(visited & (run.element >= 0))[0]
        if places.size:
            places = places[np.lexsort((run.instrument[places], run.site[places]))]
            self._calibrate(places, day, recorded)

    def _calibrate(self, places: IntArray, day: float, recorded: bool) -> None:
        scenario = self.run.scenario
        row = self._conditions(places, day)
        row |= self._readings(places, day, row, loose=True)
        fails = row["y"] < 0.0
        again = fails & (self.rng.random(places.size) < scenario.retry_share)
        failed = fails
        if again.any():
            retry = {name: values[again] for name, values in row.items()}
            retry["time"] = retry["time"] + self.rng.uniform(6, 18, again.sum()) / 1440
            retry["attempt"] = np.full(again.sum(), 2)
            retry |= self._readings(places[again], day, retry, loose=False)
            row = {name: np.concatenate([values, retry[name]]) for name, values in row.items()}
            failed = fails.copy()
            failed[again] = retry["y"] < 0.0
        last = row["y"][: places.size].copy()
        if again.any():
            last[again] = row["y"][places.size :]
        if recorded:
            row["zero_offset"] = row["zero_offset"] - self.zero_error[row["place"]]
            row["as_found"] = row["y"] - self.adjusted[row["place"]]
            self.log.append(row)
            self.rows += row["y"].size
        self.adjusted[places] = np.maximum(last, 0.0)
        self.zero_error[places] = row["contamination"][: places.size]
        self._decide(places, day, failed, last)

    def _conditions(self, places: IntArray, day: float) -> dict[str, NDArray]:
        """What readings of one visit share: gas, session, weather. Arrays (m,)."""
        run, rng, scenario = self.run, self.rng, self.run.scenario
        site, instrument, kind = run.site[places], run.instrument[places], run.kind[places]
        cylinder = self._gas(site, instrument, kind, day)
        technicians = rng.integers(0, scenario.technicians, (run.sites, 2))
        split = rng.random(run.sites) < 0.3
        technician = technicians[site, np.where(split[site], instrument % 2, 0)]
        keys, session = np.unique(site * scenario.technicians + technician, return_inverse=True)
        effects = rng.standard_normal(keys.size) * scenario.session_sd
        base = len(self.sessions)
        self.sessions += [
            (int(k) // scenario.technicians, day, int(k) % scenario.technicians, float(e)) for k, e in zip(keys, effects)
        ]
        contaminated = rng.random(keys.size) < scenario.contaminated_zero_share
        gas = rng.integers(0, len(scenario.kinds), keys.size)
        size = rng.uniform(0.04, 0.12, keys.size)
        hit = contaminated[session] & (gas[session] == kind)
        season = np.cos(2 * np.pi * ((run.origin.day_of_year + day) / YEAR - 0.55))
        order = np.r_[0, np.cumsum(np.diff(site) == 0)] - np.maximum.accumulate(
            np.where(np.r_[True, np.diff(site) != 0], np.r_[0, np.cumsum(np.diff(site) == 0)], 0)
        )
        weather = rng.standard_normal((2, run.sites))
        m = places.size
        return {
            "place": places,
            "element": run.element[places],
            "kind": kind,
            "cylinder": cylinder,
            "gas_effect": run.cylinders.effect(cylinder, kind, day),
            "session": base + session,
            "session_effect": effects[session],
            "technician": technician,
            "contamination": np.where(hit, size[session], 0.0),
            "temperature": 18 + 7 * season + 2.5 * weather[0, site] + 0.3 * rng.standard_normal(m),
            "humidity": np.clip(52 - 8 * season + 9 * weather[1, site] + rng.standard_normal(m), 10, 95),
            "time": day + site % 5 + (8 * 60 + 3.0 * order % 540 + rng.uniform(0, 1, m)) / 1440,
            "attempt": np.ones(m, np.int64),
        }

    def _gas(self, site: IntArray, instrument: IntArray, kind: IntArray, day: float) -> IntArray:
        """Cylinder of each reading: one exposure serves all gases of an instrument that come from one cylinder."""
        cylinders = self.run.cylinders
        group = site * len(cylinders.bundles) + cylinders.bundle[kind]
        out = np.empty(site.size, np.int64)
        for number in np.unique(group):
            rows = np.nonzero(group == number)[0]
            exposure = np.r_[0, np.cumsum(np.diff(instrument[rows]) != 0)]
            out[rows] = cylinders.use(int(number), int(exposure[-1]) + 1, day)[exposure]
        return out

    def _readings(self, places: IntArray, day: float, row: dict[str, NDArray], loose: bool) -> dict[str, NDArray]:
        """The ln headroom ratio that is seen, y, and its parts."""
        run, rng, scenario = self.run, self.rng, self.run.scenario
        element, kind, m = row["element"], row["kind"], places.size
        latent = run.elements.latent(element, day - run.age_origin(element))
        sd = run.elements.facts("noise", kind) * scenario.noise_factor
        if scenario.noise_df is None:
            noise = sd * rng.standard_normal(m)
        else:
            noise = sd * rng.standard_t(scenario.noise_df, m) * np.sqrt((scenario.noise_df - 2) / scenario.noise_df)
        caps = rng.random(run.instrument.max() + 1) < (scenario.loose_cap_share if loose else 0.0)
        low, high = scenario.loose_cap_size
        sizes = rng.uniform(low, high, caps.size)
        cap = np.where(caps, -sizes, 0.0)[run.instrument[places]]
        warm = run.elements.facts("temperature", kind) * scenario.temperature_factor * (row["temperature"] - 20.0)
        air = np.log1p(-row["contamination"])
        y = latent + row["gas_effect"] + row["session_effect"] + warm + noise + cap + air
        loss = np.clip(latent - run.elements.level[element], -1.5, 0.2)
        response = run.elements.facts("response", kind) * np.exp(-0.7 * loss - 0.5 * cap + 0.08 * rng.standard_normal(m))
        drift = 0.004 * rng.standard_normal(m)
        return {
            "y": np.where(latent <= DEAD, DEAD, y), "latent": latent, "noise": noise, "loose_cap": cap,
            "response": response, "zero_offset": drift + row["contamination"],
        }  # fmt: skip

    def _decide(self, places: IntArray, day: float, failed: NDArray[np.bool_], last: FloatArray) -> None:
        """Remove what failed, and some of what came near."""
        run, rng, scenario = self.run, self.rng, self.run.scenario
        u = rng.random((2, places.size))
        if not scenario.informative_removal:
            return
        out = failed & (u[0] < REMOVED_AT_FAILURE)
        near = ~failed & (last < np.log(scenario.precaution_ratio)) & (u[1] < scenario.precaution_chance)
        element = run.element[places]
        age = day - run.age_origin(element)
        dead = age >= run.elements.death[element]
        recent = {e for kind, e, when, _ in run.events if kind == "poisoning" and when > day - 60}
        poisoned = np.array([int(e) in recent for e in element])
        reason = np.where(dead, "sudden", np.where(poisoned, "poisoned", "worn"))
        reason = np.where(near, "precaution", reason)
        gone = out | near
        run.remove(places[gone], day + 6, reason[gone])
