"""How many faults of a fleet of known truth were found, and how many finds were true."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sensorhealth import health
from sensorhealth.degradation import AgeingModel
from sensorhealth.outlook import FIRST_LOOK
from sensorhealth.records import Fleet
from sensorhealth.synthetic import SyntheticFleet

ONE_INTERVAL = pd.Timedelta(days=35)
LOSS = float(np.log(0.85))


@dataclass
class Count:
    """Faults that were there, those of them found, finds, and those of them true."""

    there: int = 0
    found: int = 0
    told: int = 0
    true: int = 0

    def add(self, hit: pd.Series, right: pd.Series) -> None:
        self.there, self.found = self.there + len(hit), self.found + int(hit.sum())
        self.told, self.true = self.told + len(right), self.true + int(right.sum())

    @property
    def recall(self) -> float:
        return self.found / max(self.there, 1)

    @property
    def precision(self) -> float:
        return self.true / max(self.told, 1)


def looked_at(made: SyntheticFleet) -> tuple[health.Oddities, pd.DataFrame]:
    """What the first look finds in a synthetic fleet, and its readings."""
    fleet = Fleet.from_tables(made.sensors, made.calibrations, made.cylinders)
    lives = health.lives(fleet)
    readings = health.readings(fleet, lives)
    residuals = AgeingModel(**FIRST_LOOK).fit(readings, lives, fleet.cylinders).residuals_
    return health.examine(fleet, lives, readings, residuals).oddities, readings


def score(made: SyntheticFleet, odd: health.Oddities, readings: pd.DataFrame, counts: dict[str, Count]) -> None:
    """Add one fleet to the counts of down (losses of 15 % or more), swap and single.

    A fault counts where the records can show it: two readings of its sensor before it, and one visit after it, unless the
    sensor is still in service after a single visit (of which it is to be said that the calibration be repeated), or failed
    there without a value and stood so near its limit before that it may have lost less. A find is true where any fault of
    its kind, however small, lies within one calibration interval of its dates.
    """
    events = made.truth["truth_events"].assign(time=lambda t: pd.to_datetime(t["time"]))
    for name, kinds in (("down", ("step", "poisoning")), ("swap", ("swap",))):
        true = events[events["kind"].isin(kinds)]
        found = odd.steps[odd.steps["kind"] == name]
        pairs = true.reset_index().merge(found.reset_index(), on="sensor_id", suffixes=("", "_found"))
        pairs = pairs[(pairs["time"] >= pairs["earliest"] - ONE_INTERVAL) & (pairs["time"] <= pairs["latest"] + ONE_INTERVAL)]
        seen = true[[_shown(event, made.sensors, readings) for event in true.to_dict("records")]]
        counted = seen[seen["size"] <= LOSS] if name == "down" else seen
        counts[name].add(counted.index.to_series().isin(pairs["index"]), found.index.to_series().isin(pairs["index_found"]))
    _score_singles(made, odd, readings, events, counts["single"])


def _shown(event: dict, sensors: pd.DataFrame, readings: pd.DataFrame) -> bool:
    """Whether the records can show an event."""
    own = readings[readings["sensor_id"] == event["sensor_id"]]
    before, after = own[own["time"] < event["time"]], own[own["time"] >= event["time"]]
    if len(before) < 2 or after.empty:
        return False
    if after["time"].dt.floor("D").nunique() > 1 or event["kind"] == "swap":
        return True
    gone = sensors.set_index("sensor_id").loc[event["sensor_id"], "removed"]
    told = (after["censoring"] >= 0).any() or before["log_ratio"].iloc[-1] > -LOSS
    return bool(pd.notna(gone) and told)


def _score_singles(
    made: SyntheticFleet, odd: health.Oddities, readings: pd.DataFrame, events: pd.DataFrame, count: Count
) -> None:
    """Bad readings that left a value; a find is true on the day of a loose cap or a contaminated zero, or in an odd row."""
    visit = ["sensor_id", "day"]
    handled = events[events["kind"].isin(["loose cap", "contaminated zero"])].assign(day=lambda t: t["time"].dt.floor("D"))
    found = odd.single_readings.assign(day=lambda t: t["time"].dt.floor("D"))
    valued = readings.loc[readings["censoring"] == 0, "row"]
    caps = handled[(handled["kind"] == "loose cap") & (handled["size"] <= LOSS) & handled["row"].isin(valued)]
    hit = pd.MultiIndex.from_frame(caps[visit]).isin(pd.MultiIndex.from_frame(found[visit]))
    right = pd.MultiIndex.from_frame(found[visit]).isin(pd.MultiIndex.from_frame(handled[visit]))
    right |= found["row"].isin(made.truth["truth_odd_rows"]["row"]).to_numpy()
    count.add(pd.Series(hit), pd.Series(right))
