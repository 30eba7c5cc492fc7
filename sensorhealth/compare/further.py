"""All comparisons of one column at once, as they are written to a folder."""

from __future__ import annotations

import pandas as pd

from sensorhealth.compare.pairs import pairwise, ranking
from sensorhealth.compare.study import study_plan
from sensorhealth.compare.watch import first_alarms, watch
from sensorhealth.degradation import AgeingModel


def further_tables(
    readings: pd.DataFrame, lives: pd.DataFrame, model: AgeingModel, by: str = "lot", *, watched: bool = False
) -> dict[str, pd.DataFrame]:
    """lot_pairs, lot_ranks, study_plan (arguments as for `lots`).

    watched: also lot_watch and lot_alarms, the evidence as it grew reading by reading; takes longer.
    """
    fitted = (readings, lives, model, by)
    tables = {"lot_pairs": pairwise(*fitted), "lot_ranks": ranking(*fitted), "study_plan": study_plan(model)}
    if watched:
        tables["lot_watch"] = watch(*fitted)
        tables["lot_alarms"] = first_alarms(tables["lot_watch"])
    return tables
