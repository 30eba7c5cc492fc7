"""What a fitted model tells, in tables and words: each made when it is first asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

from sensorhealth.degradation import tables
from sensorhealth.degradation.design import Stratum
from sensorhealth.degradation.notes import notes_of
from sensorhealth.degradation.predicting import Component

if TYPE_CHECKING:
    from sensorhealth.degradation.strata import StratumModel

Table = Callable[[Stratum, tuple[Component, ...]], pd.DataFrame]


class Told:
    """Tables of the strata below one another (see degradation/tables.py); one that nobody asks for costs nothing."""

    strata_: Mapping[str, StratumModel]

    def _of_all(self, table: Table) -> pd.DataFrame:
        return tables.stacked([table(item.stratum, item.modes) for item in self.strata_.values()])

    def _forget(self) -> None:
        """Before another fit."""
        for name in ONE_BY_ONE:
            self.__dict__.pop(name, None)

    @cached_property
    def fixed_effects_(self) -> pd.DataFrame:
        """Fixed effects."""
        return self._of_all(tables.fixed_table)

    @cached_property
    def variance_parameters_(self) -> pd.DataFrame:
        """Variance parameters."""
        return self._of_all(tables.variance_table)

    @cached_property
    def curves_(self) -> pd.DataFrame:
        """Curves tried, with their evidence."""
        return tables.stacked([tables.curve_table(item.stratum, list(item.curves)) for item in self.strata_.values()])

    @cached_property
    def cylinder_effects_(self) -> pd.DataFrame:
        """Bias and fade of every cylinder."""
        return self._of_all(tables.cylinder_table)

    @cached_property
    def session_effects_(self) -> pd.DataFrame:
        """What readings of one session share."""
        return self._of_all(tables.session_table)

    @cached_property
    def lot_effects_(self) -> pd.DataFrame:
        """Level and slope of every lot."""
        return self._of_all(tables.lot_table)

    @cached_property
    def notes_(self) -> list[str]:
        """What could not be told apart, in words."""
        return [note for item in self.strata_.values() for note in notes_of(item)]


ONE_BY_ONE = [name for name, item in vars(Told).items() if isinstance(item, cached_property)]
