"""The positions that replacements are counted for, and their life distributions."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.newlives import LifeTable, NewLives, drawn_lives
from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.replaced import Alone, alone, at_each
from sensorhealth.decide.texts import codes

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
_KEPT = 10_000_000  # chances of each end that are kept


@dataclass(frozen=True)
class Positions:
    """The positions that the budget covers: all sensors in service; n entries each.

    row: in the life distributions, -1 where there is none and the kind's new sensors at the same age speak. kind: row
    in the new sensors' distributions. site_code: position in the plan's sites. age: days. start: day of the planned
    swap for sensors planned on the first visit or before (0 = now), NaN for the others. notice: days. unit_cost:
    currency. sensor_id, site, technology: text, for grouping.
    """

    row: IntArray
    kind: IntArray
    site_code: IntArray
    age: FloatArray
    start: FloatArray
    unit_cost: FloatArray
    sensor_id: NDArray[np.object_]
    site: NDArray[np.object_]
    technology: NDArray[np.object_]
    model: NDArray[np.object_]


def positions(fleet_plan: FleetPlan) -> Positions:
    """The positions of a planned fleet."""
    facts, ahead = fleet_plan.facts, fleet_plan.ahead
    rows = np.flatnonzero(facts.in_service)
    swap = ((ahead.swap_date - facts.as_of).astype(float))[rows]
    swap[np.isnat(ahead.swap_date[rows])] = np.nan
    first = np.array([site.days[0] for site in ahead.sites])[ahead.site_code[rows]]
    at_once = ahead.too_late[rows] | (facts.last_outcome[rows] == "fail")
    names, code = codes(facts.kind[rows])
    technology = np.array([name.rsplit(" ", 1)[0] for name in names], dtype=object)
    age = (facts.as_of - facts.installed[rows]).astype(float)
    return Positions(
        row=facts.row[rows],
        kind=fleet_plan.fresh.position(facts.kind[rows]),
        site_code=ahead.site_code[rows],
        age=np.where(np.isnat(facts.installed[rows]), 0.0, age),
        start=np.where(at_once, 0.0, np.where(swap <= first, swap, np.nan)),
        unit_cost=facts.unit_cost[rows],
        sensor_id=facts.sensor_id[rows],
        site=facts.site[rows],
        technology=technology[code] if rows.size else np.empty(0, dtype=object),
        model=facts.model[rows],
    )


def chunks(rows: IntArray, size: int = 32_768) -> list[IntArray]:
    """`rows` in blocks that spare memory; one block at least."""
    return [rows[start : start + size] for start in range(0, max(rows.size, 1), size)]


class Known:
    """Positions with the life distributions of their blocks, kept while the same tables are asked about.

    Schemes are walked through with the same positions and worlds: what these share is worked out once. where: the positions;
    fresh: new sensors of their kinds.
    """

    def __init__(self, where: Positions, fresh: NewLives) -> None:
        self.where, self.fresh = where, fresh
        self._lives: dict[tuple[int, int, int], tuple[LifeTable, Alone]] = {}
        self._parts: list[tuple[IntArray, IntArray, Known]] = []
        self._new: tuple[LifeTable, NewLives | None] | None = None

    @classmethod
    def of(cls, fleet_plan: FleetPlan) -> Known:
        """All positions of a planned fleet."""
        return cls(positions(fleet_plan), fleet_plan.fresh)

    def lives(self, table: LifeTable, rows: IntArray) -> Alone:
        """As `life_rows`; not to be written into."""
        if not rows.size or rows[-1] - rows[0] + 1 != rows.size:
            return life_rows(self.where, rows, table, self.fresh)
        block = id(table), int(rows[0]), rows.size  # no other table has its name while it is kept
        if block not in self._lives:
            found = life_rows(self.where, rows, table, self.fresh)
            if sum(lives.total.size for _, lives in self._lives.values()) + found.total.size > _KEPT:
                self._lives.clear()
            self._lives[block] = table, found
        return self._lives[block][1]

    def new_in(self, table: LifeTable) -> NewLives | None:
        """As `newlives.drawn_lives`."""
        if self._new is None or self._new[0] is not table:
            self._new = table, drawn_lives(self.fresh, table)
        return self._new[1]

    def part(self, rows: IntArray, row: IntArray) -> Known:
        """Some of the positions alone; row: theirs in the life distributions."""
        for mine, its, part in self._parts:
            if np.array_equal(mine, rows) and np.array_equal(its, row):
                return part
        values = {name: getattr(self.where, name)[rows] for name in vars(self.where)}
        self._parts.append((rows, row, Known(replace(self.where, **{**values, "row": row}), self.fresh)))
        return self._parts[-1][2]


def life_rows(where: Positions, rows: IntArray, table: LifeTable, fresh: NewLives) -> Alone:
    """Life distributions (k, m) of some positions at the table's days; see `Positions.row` for those without."""
    known = np.maximum(where.row[rows], 0)
    soft, sudden = table.soft[known], table.sudden[known]
    lacking = np.flatnonzero(where.row[rows] < 0)
    if lacking.size:
        kind, age = where.kind[rows[lacking]], where.age[rows[lacking], None]
        alive = 1.0 - at_each(fresh.grid_days, fresh.total[kind], age)
        alive = np.maximum(alive, 1e-9)
        for values, new in ((soft, fresh.soft), (sudden, fresh.sudden)):
            later = at_each(fresh.grid_days, new[kind], age + table.grid_days[None, :])
            values[lacking] = (later - at_each(fresh.grid_days, new[kind], age)) / alive
    return alone(soft, sudden)
