"""All comparisons of one column at once, as they are written to a folder."""

from __future__ import annotations

import pandas as pd

from sensorhealth.compare.pairs import pairwise, ranking
from sensorhealth.compare.study import study_plan
from sensorhealth.compare.watch import first_alarms, watch
from sensorhealth.degradation import AgeingModel


def further_tables(
    readings: pd.DataFrame, lives: pd.DataFrame, model: AgeingModel, by: str = "lot", *, watch_days: int | None = None
) -> dict[str, pd.DataFrame]:
    """lot_pairs, lot_ranks, study_plan (arguments as for `lots`).

    watch_days: also lot_watch and lot_alarms, the evidence as it grew, looked at as often as this; takes longer.
    """
    fitted = (readings, lives, model, by)
    tables = {"lot_pairs": pairwise(*fitted), "lot_ranks": ranking(*fitted), "study_plan": study_plan(model)}
    if watch_days is not None:
        tables["lot_watch"] = watch(*fitted, every_days=watch_days)
        tables["lot_alarms"] = first_alarms(tables["lot_watch"])
    return tables
