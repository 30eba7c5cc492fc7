"""How long a new sensor of each kind lives: what every replacement begins again with."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from sensorhealth.decide.texts import codes
from sensorhealth.technologies import technologies

FloatArray = NDArray[np.float64]
DAYS_PER_YEAR = 365.25


class LifeTable(Protocol):
    """What the decisions need of a set of life distributions: `sensorhealth.life.RemainingLife` is one."""

    @property
    def life_id(self) -> NDArray[np.object_]:
        """Names (n,) of the rows."""

    @property
    def grid_days(self) -> FloatArray:
        """Days (m,) at which the distributions are given, from 0."""

    @property
    def soft(self) -> FloatArray:
        """Cumulative incidence (n, m) of ends by used-up headroom."""

    @property
    def sudden(self) -> FloatArray:
        """Cumulative incidence (n, m) of sudden ends."""


@dataclass(frozen=True)
class NewLives:
    """Life distributions of new sensors by kind ("technology gas").

    kinds: (k,) names. grid_days: (m,) age in days, from 0. soft, sudden: (k, m) cumulative incidence of the two ends.
    assumed: (k,) True where nothing but the technology's usual life is known.
    """

    kinds: tuple[str, ...]
    grid_days: FloatArray
    soft: FloatArray
    sudden: FloatArray
    assumed: tuple[bool, ...]

    def position(self, kinds: NDArray[np.object_]) -> NDArray[np.intp]:
        """Row (n,) of each sensor's kind."""
        where = {kind: row for row, kind in enumerate(self.kinds)}
        names, code = codes(kinds)
        return np.array([where[name] for name in names], dtype=np.intp)[code]

    @property
    def total(self) -> FloatArray:
        """Chance (k, m) of having ended by each age."""
        return self.soft + self.sudden


def new_lives(kinds: Iterable[str], grid_days: FloatArray, known: LifeTable | None = None) -> NewLives:
    """Life distributions of new sensors of `kinds` on `grid_days` (m,).

    known: distributions whose life_id is the kind, as fitted to the fleet; a kind that is not there gets its
    technology's usual life as a Weibull distribution with 10 % and 90 % at the two ends of the stated range (an
    assumption).
    """
    names = tuple(sorted(set(kinds)))
    rows = {} if known is None else {str(name): row for row, name in enumerate(known.life_id)}
    soft = np.zeros((len(names), grid_days.size))
    sudden = np.zeros_like(soft)
    for position, name in enumerate(names):
        if known is not None and name in rows:
            row = rows[name]
            soft[position] = np.interp(grid_days, known.grid_days, known.soft[row])
            sudden[position] = np.interp(grid_days, known.grid_days, known.sudden[row])
        else:
            soft[position] = _usual_life(name, grid_days)
    return NewLives(names, grid_days, soft, sudden, tuple(name not in rows for name in names))


def drawn_lives(fresh: NewLives, table: LifeTable) -> NewLives | None:
    """Life distributions of new sensors in the world of `table`, from its rows that are named by kinds; None without any."""
    kinds = frozenset(fresh.kinds)
    rows = {name: row for row, name in enumerate(table.life_id) if name in kinds}
    if not rows:
        return None
    ends = []
    for own, drawn in ((fresh.soft, table.soft), (fresh.sudden, table.sudden)):
        usual = [drawn[rows[kind]] if kind in rows else np.interp(table.grid_days, fresh.grid_days, row)
                 for kind, row in zip(fresh.kinds, own)]  # fmt: skip
        ends.append(np.array(usual))
    return NewLives(fresh.kinds, table.grid_days, ends[0], ends[1], fresh.assumed)


def _usual_life(kind: str, days: FloatArray) -> FloatArray:
    """Weibull distribution of the usual life of the technology `kind` begins with; 2 to 4 years where unknown."""
    known = technologies()
    technology = next((name for name in sorted(known, key=len, reverse=True) if kind.startswith(name)), None)
    low, high = known[technology].life_years if technology else (2.0, 4.0)
    ten, ninety = -np.log(0.9), -np.log(0.1)
    shape = np.log(ninety / ten) / np.log(high / low)
    scale = low * DAYS_PER_YEAR / ten ** (1.0 / shape)
    return -np.expm1(-((days / scale) ** shape))
