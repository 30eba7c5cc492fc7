"""From a run to the tables a user would have, and to the truth behind them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.synthetic.elements import YEAR
from sensorhealth.synthetic.run import Run

SITES = ("Kiln Yard", "North Quay", "Tank Park", "Mill Lane")
"""Invented names."""

IntArray = NDArray[np.int64]


def site_names(count: int) -> NDArray[np.object_]:
    """Names of the invented sites."""
    return np.array([*SITES, *(f"Site {number:02d}" for number in range(5, count + 1))][:count], object)


class Labels:
    """Names for the numbers of a run: what comes into the tables, and what it is called there."""

    def __init__(self, run: Run, log: dict[str, NDArray]) -> None:
        count = run.elements.count
        self.sensor = np.array(run.sensor_of, np.int64)
        installed = np.array(run.installed)
        left = np.full(count, np.inf)
        left[list(run.left)] = list(run.left.values())
        seen = np.zeros(count, bool)
        seen[run.first_live] = True
        seen |= installed >= run.before
        self.element_kept = seen
        kept = np.unique(self.sensor[seen])
        self.sensor_name = np.full(run.sensors, "", object)
        self.sensor_name[kept] = [f"S{number:04d}" for number in range(1, kept.size + 1)]
        self.sensors_kept = kept
        life = np.zeros(count, np.int64)
        running: dict[int, int] = {}
        for element in np.nonzero(seen)[0]:
            life[element] = running[int(self.sensor[element])] = running.get(int(self.sensor[element]), 0) + 1
        self.life = life
        self.first_element = {int(self.sensor[e]): int(e) for e in np.nonzero(seen)[0][::-1]}
        used = np.unique(log["cylinder"])
        self.cylinders_used = used
        self.cylinder_name = np.full(len(run.cylinders.group), "", object)
        self.cylinder_name[used] = [f"C{number:04d}" for number in range(1, used.size + 1)]
        self.shift = run.site[np.array(run.position_of)] % 5  # weekday of the visits of the site
        self.site = site_names(run.sites)

    def life_id(self, elements: IntArray) -> list[str]:
        """sensor_id, or sensor_id/2 ... after unrecorded swaps."""
        return [str(self.sensor_name[self.sensor[e]]) + (f"/{self.life[e]}" if self.life[e] > 1 else "") for e in elements]


def day_to_time(run: Run, day: NDArray[np.float64], unit: str = "s") -> pd.DatetimeIndex:
    """Days of the simulation to timestamps; NaN and inf to NaT."""
    finite = np.isfinite(day) & (np.abs(day) < 60 * YEAR)
    seconds = np.where(finite, np.round(np.where(finite, day, 0.0) * 86400.0), 0.0)
    out = pd.DatetimeIndex(run.origin + pd.to_timedelta(seconds, unit="s")).as_unit("s")
    out = out.floor("D") if unit == "D" else out
    return pd.DatetimeIndex(pd.Series(out).where(finite))


def sensors_table(run: Run, labels: Labels, rng: np.random.Generator) -> pd.DataFrame:
    """The table `sensors` of the contract."""
    kinds = run.scenario.kinds
    sensors = labels.sensors_kept
    element = np.array([labels.first_element[int(s)] for s in sensors], np.int64)
    kind = run.elements.kind[element]
    position = np.array(run.position_of)[element]
    installed = np.array(run.installed)[element] + labels.shift[element]
    removal = [run.removed.get(int(s), (np.inf, "")) for s in sensors]
    gone = np.array([day for day, _ in removal]) + labels.shift[element]
    gone = np.where(gone <= run.days, gone, np.inf)
    first = np.r_[True, np.diff(run.instrument) != 0]
    socket = np.arange(run.instrument.size) - np.maximum.accumulate(np.where(first, np.arange(first.size), 0)) + 1
    column = {name: np.array([getattr(k, name) for k in kinds], object)[kind] for name in ("gas", "technology", "unit")}
    number = run.elements.lot[element]
    lot_names = np.array([f"{gas}-{chr(65 + n)}" for gas, n in zip(column["gas"], number)], object)
    applied = run.elements.facts("applied", kind)
    warranty = installed + run.elements.facts("warranty_years", kind) * YEAR
    limit = np.floor(applied * run.elements.facts("display_ratio", kind))
    missing = rng.random((3, sensors.size)) < 0.02 * run.scenario.missing_factor
    made = installed - run.elements.shelf[element]
    return pd.DataFrame(
        {
            "sensor_id": labels.sensor_name[sensors],
            "gas": column["gas"],
            "technology": column["technology"],
            "installed": day_to_time(run, installed, "D"),
            "unit": column["unit"],
            "instrument_id": [f"I{i + 1:04d}" for i in run.instrument[position]],
            "position": socket[position].astype(str),
            "site": labels.site[run.site[position]],
            "lot": np.where(missing[0], "", lot_names),
            "supplier": np.where(number % 2 == 0, "supplier east", "supplier west"),
            "model": np.array([k.name for k in kinds], object)[kind],
            "manufactured": day_to_time(run, np.where(missing[1], np.nan, made), "D"),
            "warranty_end": day_to_time(run, np.where(missing[2], np.nan, warranty), "D"),
            "removed": day_to_time(run, gone, "D"),
            "removal_reason": np.where(np.isfinite(gone), [reason for _, reason in removal], ""),
            "unit_cost": run.elements.facts("price", kind),
            "gain_limit": run.elements.facts("gain_limit", kind),
            "display_limit": limit if run.scenario.display_limit else np.full(sensors.size, np.nan),
            "lel_basis": np.where(column["unit"] == "%LEL", 5.0, np.nan),
        }
    )


def cylinders_table(run: Run, labels: Labels) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The table `cylinders` of the contract, one row per cylinder and gas, and the truth about them."""
    gas = run.cylinders
    rows, truth = [], []
    for c in labels.cylinders_used:
        bundle = gas.bundles[gas.group[c] % len(gas.bundles)]
        site = gas.group[c] // len(gas.bundles)
        opened, expires = gas.opened[c] + site % 5, gas.expires[c]
        for slot, name in enumerate(bundle):
            kind = gas.kind_of_gas[name]
            balance = "N2" if kind.fades and len(bundle) == 1 else "air"
            rows.append((labels.cylinder_name[c], name, kind.applied, kind.tolerance_pct, balance, opened, expires))
            tolerance = kind.tolerance_pct / 100
            bias, fade = round(float(gas.bias[c][slot]), 5), round(float(gas.fade[c][slot]), 5)
            truth.append((labels.cylinder_name[c], name, bias, fade, bool(gas.faulty[c][slot]), tolerance, opened))
    names = ["cylinder_id", "gas", "concentration", "tolerance_pct", "balance", "opened", "expires"]
    table = pd.DataFrame(rows, columns=names)
    table["lot"] = [f"G{number // 6 + 1:03d}" for number in pd.factorize(table["cylinder_id"])[0]]
    table["supplier"] = "gas supplier"
    known = pd.DataFrame(truth, columns=["cylinder_id", "gas", "bias", "fade_per_year", "faulty", "tolerance", "opened"])
    for frame, columns in ((table, ("opened", "expires")), (known, ("opened",))):
        for column in columns:
            frame[column] = day_to_time(run, frame[column].to_numpy(float), "D")
    return table, known


def calibrations_table(run: Run, labels: Labels, log: dict[str, NDArray], rng: np.random.Generator) -> pd.DataFrame:
    """The table `calibrations` of the contract, before odd rows: one row per row of the log, in order of time."""
    scenario, kind, element, y = run.scenario, log["kind"], log["element"], log["y"]
    applied, step = run.elements.facts("applied", kind), run.elements.facts("resolution", kind)

    def shown(value: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.round(np.round(value / step) * step if scenario.rounding else value, 6) + 0.0

    headroom = shown(applied * np.exp(y))
    limit = np.floor(applied * run.elements.facts("display_ratio", kind))
    headroom = np.minimum(headroom, limit) if scenario.display_limit else headroom
    gain_limit = run.elements.facts("gain_limit", kind)
    gain = np.minimum(np.round(gain_limit * np.exp(-y), 4), gain_limit)
    fail = y < 0.0
    silent = fail & ((rng.random(y.size) < scenario.fail_without_value_share) | (log["latent"] <= -2.9))
    gain_only = (np.random.default_rng(7).random(run.instrument.max() + 1) < scenario.gain_only_share)[
        run.instrument[log["place"]]
    ]
    span_only = rng.random(y.size) < 0.06 * scenario.missing_factor
    blank = rng.random((5, y.size)) < np.array([0.02, 0.05, 0.1, 0.25, 0.01])[:, None] * scenario.missing_factor
    nan = np.nan
    as_found = shown(np.maximum(applied * np.exp(np.clip(log["as_found"], -4, 1)), 0.0))
    return pd.DataFrame(
        {
            "sensor_id": labels.sensor_name[labels.sensor[element]],
            "time": day_to_time(run, log["time"]),
            "kind": np.where(span_only, "span", "full"),
            "cylinder_id": np.where(blank[0], "", labels.cylinder_name[log["cylinder"]]),
            "applied": applied,
            "zero_offset": np.where(span_only, nan, shown(applied * log["zero_offset"])),
            "as_found": np.where(blank[1] | silent, nan, as_found),
            "as_left": np.where(silent, nan, np.where(fail, np.minimum(headroom, applied), applied)),
            "span_gain": np.where(silent, nan, np.where(gain_only | (rng.random(y.size) < 0.3), gain, nan)),
            "headroom": np.where(silent | gain_only, nan, headroom),
            "response_seconds": np.where(blank[3] | silent, nan, np.round(log["response"], 0 if scenario.rounding else 3)),
            "temperature_c": np.where(blank[2], nan, np.round(log["temperature"], 1)),
            "humidity_pct": np.where(blank[2], nan, np.round(log["humidity"])),
            "outcome": np.where(fail, "fail", "pass"),
            "technician": np.where(blank[4], "", _technicians(run, log)),
        }
    )


def _technicians(run: Run, log: dict[str, NDArray]) -> NDArray[np.object_]:
    names = np.array([f"technician {chr(65 + n)}" for n in range(run.scenario.technicians)], object)
    return names[log["technician"]]
