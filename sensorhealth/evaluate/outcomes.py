"""What became of sensors after a date: ends known within the tests around them, and the next reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..life.lifedata import DAYS_PER_YEAR, years_between
from ..life.worn import told_by_readings
from ..technologies import flat_technologies
from .baselines import History, OwnLine

Array = NDArray[np.float64]

LOW_READINGS = 2  # one reading below the limit may be a loose cap; two in a row are the sensor's
BLUR_READINGS = 5  # a line through fewer readings hides their noise
LARGEST_BLUR_DAYS = 183.0


@dataclass(frozen=True)
class Ends:
    """Ends of n lives, in days after the as-of date.

    lower: known good until then; upper: known to have ended by then, inf while no end is known (running, lost, or removed for
    another reason). blur: by how much either bound of a soft end, and `lower` of any other life, is uncertain because what is
    seen is a reading and not the true headroom. running: still in service at the end of the records. follow_up: days from the
    as-of date to that end, the same for all.
    """

    lower: Array
    upper: Array
    blur: Array
    running: NDArray[np.bool_]
    follow_up: float

    @property
    def ended(self) -> NDArray[np.bool_]:
        """(n,) whether the life is known to have ended, softly or suddenly."""
        return np.isfinite(self.upper)

    @property
    def middle(self) -> Array:
        """(n,) middle of the interval of an end; for no end, how long it is known to have lived."""
        return np.where(self.ended, 0.5 * (self.lower + np.where(self.ended, self.upper, 0.0)), self.lower)

    def seen_about(self, days: float) -> tuple[Array, NDArray[np.bool_]]:
        """When (n,) each life was looked at next to `days`, and whether it had ended by then.

        `days` itself unless it lies inside the interval of an end: then whichever bound of the interval is nearer, so
        that no outcome has to be guessed.
        """
        inside = self.ended & (self.lower < days) & (days < self.upper)
        late = inside & (self.upper - days <= days - self.lower)
        when = np.where(late, self.upper, np.where(inside, self.lower, days))
        return when, self.ended & (self.upper <= when)


@dataclass(frozen=True)
class NextReadings:
    """First readings after the as-of date. life: (k,) position in the lives asked about; age_years at the reading;
    days after the as-of date; log_ratio as recorded; censoring: 1 the true value is at or above, -1 at or below, 0
    observed; shared: its cylinder, or else its session, or else its day: what makes forecasts err together.
    """

    life: NDArray[np.intp]
    age_years: Array
    days: Array
    log_ratio: Array
    censoring: NDArray[np.int8]
    shared: NDArray[np.object_]


def final_life(lives: pd.DataFrame, asked: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """For each row of `asked` (lives as they were seen on the as-of date), that life as it is known in the end.

    The same sensor's last life that had begun by the as-of date: an unrecorded swap found later ends it.
    """
    begun = lives[lives["installed"] <= as_of].sort_values("installed", kind="stable")
    last = begun.drop_duplicates("sensor_id", keep="last").set_index("sensor_id")
    return last.loc[asked["sensor_id"]].reset_index()


def ends(
    lives: pd.DataFrame,
    asked: pd.DataFrame,
    as_of: pd.Timestamp,
    end: pd.Timestamp,
    said: pd.DataFrame,
    blur_days: Mapping[str, float] = MappingProxyType({}),
) -> Ends:
    """Ends of the lives `asked` about, from the table `lives` as known at `end`, the last day of the records.

    said: what the readings say of each life (`life.worn.told_by_readings`). A bump test that shows no headroom is no reading. A
    soft end (removed as worn) lies after the last reading above the limit and no later than the first of those below it, or the
    failed test, or the removal. A sudden end lies after the last gas test passed and no later than the test failed, or the
    removal. A sensor that is left in service with readings below the limit has ended too (at once, if the first of them was
    taken by the as-of date): with two such readings, or with one where the records tell of no removals at all. A sensor removed
    as worn that only its gas made read low had not come to its end: it is lost. Any other life was good at its last reading
    above the limit (at its last passed test, for a technology without a soft end).
    blur_days: per stratum, how far the noise of readings moves a test's verdict in time (see `reading_blur`).
    """
    known = final_life(lives, asked, as_of)
    own = said.reindex(known["life_id"]).reset_index(drop=True)
    removed = (known["ended"] > as_of) & (known["ended"] <= end)
    sudden = (removed & (known["end_kind"] == "sudden")).to_numpy()
    worn = (removed & (known["end_kind"] == "soft") & ~own["misread"].fillna(False).astype(bool)).to_numpy()
    flat = _flat(known)
    enough = _enough(lives)
    low = (own["lows"] >= enough) & (own["first_low"] <= end)
    left = (low & ~removed).to_numpy() & ~flat

    by_test = sudden | flat
    good = known["last_alive"].where(by_test, own["last_good"].fillna(known["entered"]))
    good = good.where(good <= known["ended"].fillna(end), known["ended"])
    failed = (known["last_test"] > known["last_alive"]) & (known["last_test"] > as_of) & (known["last_test"] <= known["ended"])
    found = known["last_test"].where(failed, known["ended"])
    seen_low = own["first_low"].where((own["first_low"] > as_of) & ~by_test)
    found = seen_low.fillna(found).where(~left, own["first_low"])

    over = sudden | worn | left
    start = pd.Series(as_of, index=known.index)
    lower = np.nan_to_num(years_between(start, good) * DAYS_PER_YEAR)
    upper = np.where(over, np.maximum(years_between(start, found) * DAYS_PER_YEAR, 1e-3), np.inf)
    blur = known["stratum"].map(lambda name: blur_days.get(name, 0.0)).to_numpy(dtype=float)
    running = (known["ended"].isna() | (known["ended"] > end)).to_numpy() & ~left
    follow_up = float((end - as_of) / pd.Timedelta(days=1))
    return Ends(np.clip(lower, 0.0, upper), upper, np.where(sudden, 0.0, blur), running, follow_up)


def _enough(lives: pd.DataFrame) -> int:
    """Readings below the limit that tell an end; one where no removal is on record: nobody would have repeated it."""
    return LOW_READINGS if lives["ended"].notna().any() else 1


def _flat(lives: pd.DataFrame) -> NDArray[np.bool_]:
    """Which lives (n,) are of a technology whose headroom does not lead to the end."""
    return lives["technology"].isin(flat_technologies()).to_numpy(dtype=bool)


def already_over(readings: pd.DataFrame, lives: pd.DataFrame, asked: pd.DataFrame, limit: float) -> NDArray[np.bool_]:
    """Which of the lives `asked` about (n,) had ended by the records of the day: nothing is left to forecast of them.

    readings, lives: as known on that day. limit: ln headroom ratio of the end.
    """
    lows = told_by_readings(readings, limit)["lows"].reindex(asked["life_id"]).fillna(0).to_numpy()
    return (lows >= _enough(lives)) & ~_flat(asked)


def reading_blur(readings: pd.DataFrame, lives: pd.DataFrame) -> dict[str, float]:
    """Days per stratum by which one reading's noise moves the moment at which a headroom path seems to cross its limit.

    Standard deviation of readings about each sensor's own line (by the median, so that odd readings do not count) over the
    median loss per year of the sensors that have such a line; at most half a year.
    """
    history = History.of(readings[readings["censoring"] == 0], lives, np.zeros(len(lives)))
    line = OwnLine(history)
    off = history.y - line.mean[history.life] - line.slope[history.life] * (history.age - line.centre[history.life])
    strata = lives["stratum"].to_numpy(dtype=object)
    blur: dict[str, float] = {}
    for name in sorted(set(strata)):
        mine = (strata == name) & line.own & (history.count >= BLUR_READINGS)
        if mine.any():
            noise = float(np.median(np.abs(off[mine[history.life]]))) / 0.6745
            loss = max(float(np.median(-line.slope[mine])), 1e-6)
            blur[str(name)] = min(noise / loss * DAYS_PER_YEAR, LARGEST_BLUR_DAYS)
    return blur


def next_readings(
    readings: pd.DataFrame, lives: pd.DataFrame, asked: pd.DataFrame, as_of: pd.Timestamp, within_days: float
) -> NextReadings:
    """The first reading of each life `asked` about after the as-of date, if it comes within `within_days`.

    readings: as known in the end (health room). Readings after the end of the life (an unrecorded swap) do not count.
    """
    known = final_life(lives, asked, as_of)
    later = readings[(readings["time"] > as_of) & (readings["time"] <= as_of + pd.Timedelta(days=within_days))]
    later = later.sort_values("time", kind="stable").drop_duplicates("sensor_id", keep="first")
    place = pd.Index(known["sensor_id"]).get_indexer(pd.Index(later["sensor_id"]))
    here = place >= 0
    later, place = later[here], place[here]
    same = later["life_id"].to_numpy(dtype=object) == known["life_id"].to_numpy(dtype=object)[place]
    later, place = later[same], place[same]
    begun = asked["installed"].iloc[place].reset_index(drop=True)
    time = later["time"].reset_index(drop=True)
    return NextReadings(
        life=place,
        age_years=years_between(begun, time),
        days=years_between(pd.Series(as_of, index=time.index), time) * DAYS_PER_YEAR,
        log_ratio=later["log_ratio"].to_numpy(dtype=float),
        censoring=later["censoring"].to_numpy(dtype=np.int8),
        shared=_shared(later),
    )


def _shared(readings: pd.DataFrame) -> NDArray[np.object_]:
    found = readings["time"].dt.strftime("%Y-%m-%d")
    for name in ("session", "cylinder"):
        if name in readings:
            found = readings[name].where(readings[name].fillna("") != "", found)
    return found.to_numpy(dtype=object)
