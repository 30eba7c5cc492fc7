"""What else is known when a decision is made: which gas is doubted, which single readings may be handling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

BoolArray = NDArray[np.bool_]
FloatArray = NDArray[np.float64]
ObjectArray = NDArray[np.object_]


@dataclass(frozen=True)
class Evidence:
    """Findings that may explain a poor result otherwise than by the sensor; every part may be absent.

    cylinders: cylinder_id, gas, flagged, p_off, direction (nomenclature cylinder_effects): gas held to
    be out of tolerance. single_readings: sensor_id, time, probability, recovered (None while it is the sensor's
    last): readings that stand off their sensor's path alone; residual (ln ratio) where given, and only those that
    read low count. verdicts: sensor_id, verdict ("sensor", "gas", "handling", ...), probability: a verdict on the
    last reading of each sensor. zeros: life_id, end_p05 (as from `health.zero_drift`): the date from which on the
    drifting zero may be past what the instrument can take out, with a chance of one in twenty.
    """

    cylinders: pd.DataFrame | None = None
    single_readings: pd.DataFrame | None = None
    verdicts: pd.DataFrame | None = None
    zeros: pd.DataFrame | None = None

    def zero_end(self, lives: ObjectArray) -> NDArray[np.datetime64]:
        """Day (n,) from which on the zero of each life (n,) may be past its limit; NaT for none, or not within ten years."""
        found = np.full(lives.size, np.datetime64("NaT", "D"))
        if self.zeros is None or self.zeros.empty:
            return found
        row = pd.Index(self.zeros["life_id"].astype(object)).get_indexer(pd.Index(lives))
        known = row >= 0
        found[known] = pd.to_datetime(self.zeros["end_p05"]).to_numpy(dtype="datetime64[D]")[row[known]]
        return found

    def gas(self, sensors: ObjectArray, cylinders: ObjectArray, gases: ObjectArray) -> tuple[BoolArray, ObjectArray, FloatArray]:
        """Whether the gas of each sensor's last test is doubted, which way ("weak", "strong", ""), how likely.

        sensors, cylinders (n,): sensor and cylinder of its last gas test, "" for none; gases (n,): gas of the sensor.
        """
        size = sensors.size
        doubted, words, chance = np.zeros(size, dtype=bool), np.full(size, "", dtype=object), np.full(size, np.nan)
        if self.cylinders is not None and len(self.cylinders):
            flagged = self.cylinders[self.cylinders["flagged"].astype(bool)]
            flagged = flagged.drop_duplicates(["cylinder_id", "gas"])
            keys = pd.MultiIndex.from_frame(flagged[["cylinder_id", "gas"]].astype(object))
            wanted = pd.MultiIndex.from_arrays([cylinders, gases])
            row = keys.get_indexer(wanted) if len(flagged) else np.full(size, -1)
            found = row >= 0
            doubted |= found
            words[found] = flagged["direction"].to_numpy(dtype=object)[row[found]]
            chance[found] = flagged["p_off"].to_numpy(dtype=float)[row[found]]
        verdict, sure = self._verdict(sensors, "gas")
        return doubted | verdict, words, np.where(doubted, chance, sure)

    def handling(self, sensors: ObjectArray, last_test: NDArray[np.datetime64]) -> tuple[BoolArray, FloatArray]:
        """Whether each sensor's last reading stands alone, so that handling may be behind it, and with what chance.

        sensors (n,), last_test (n,): day of its last gas test.
        """
        verdict, sure = self._verdict(sensors, "handling")
        single = self.single_readings
        if single is None or single.empty:
            return verdict, sure
        open_ones = single[[value is None or pd.isna(value) for value in single["recovered"]]]
        if "residual" in open_ones:
            open_ones = open_ones[open_ones["residual"].astype(float) < 0]
        open_ones = open_ones.sort_values("time", kind="stable").drop_duplicates("sensor_id", keep="last")
        row = pd.Index(open_ones["sensor_id"].astype(object)).get_indexer(pd.Index(sensors))
        found = row >= 0
        times = pd.to_datetime(open_ones["time"]).to_numpy(dtype="datetime64[D]")
        last = np.asarray(last_test, dtype="datetime64[D]")
        found[found] &= ~(times[row[found]] < last[found])
        chance = np.where(verdict, sure, np.nan)
        chance[found] = open_ones["probability"].to_numpy(dtype=float)[row[found]]
        return verdict | found, chance

    def _verdict(self, sensors: ObjectArray, wanted: str) -> tuple[BoolArray, FloatArray]:
        """Where the verdict on a sensor's last reading is `wanted`, and how sure it is."""
        found, chance = np.zeros(sensors.size, dtype=bool), np.full(sensors.size, np.nan)
        if self.verdicts is None or self.verdicts.empty:
            return found, chance
        chosen = self.verdicts[self.verdicts["verdict"] == wanted].drop_duplicates("sensor_id", keep="last")
        row = pd.Index(chosen["sensor_id"].astype(object)).get_indexer(pd.Index(sensors))
        found = row >= 0
        if "probability" in chosen:
            chance[found] = chosen["probability"].to_numpy(dtype=float)[row[found]]
        return found, chance
