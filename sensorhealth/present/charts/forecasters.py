"""One measure of past forecasts: this model beside the simple rules that it must beat."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import forest, style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Z90 = 1.6448536269514722
OURS = "this model"
USUAL = "next reading: mean absolute error (ln ratio)"


def forecasters_data(table: pd.DataFrame, measure: str = USUAL, horizon_days: float | None = None) -> pd.DataFrame:
    """Value of `measure` over all dates together, one row per forecaster, smallest first.

    table: the track_record table. horizon_days: where the measure has a horizon. Returns forecaster, measure, value,
    low, high (90 %, from its standard error), count, marker (D: this model) and remark (how many forecasts).
    """
    rows = table[table["as_of"].isna() & (table["measure"] == measure) & table["value"].notna()]
    if horizon_days is not None:
        rows = rows[rows["horizon_days"] == horizon_days]
    error = rows["std_error"].astype(float).fillna(0.0)
    frame = rows[["forecaster", "measure", "count"]].copy()
    frame["value"] = rows["value"].astype(float)
    frame["low"], frame["high"] = frame["value"] - Z90 * error, frame["value"] + Z90 * error
    frame["marker"] = np.where(frame["forecaster"].astype(str).str.startswith(OURS), "D", "")
    frame["remark"] = ""
    return frame.sort_values(["value", "forecaster"], kind="stable", ignore_index=True)


def forecasters(table: pd.DataFrame, measure: str = USUAL, horizon_days: float | None = None, *, ax: Axes | None = None) -> Axes:
    """Draw `measure` of every forecaster with its 90 % interval; this model is the filled diamond.

    table, measure, horizon_days: see forecasters_data. Returns the Axes.
    """
    data = forecasters_data(table, measure, horizon_days)
    alike = data["count"].nunique() == 1
    labels = [name if alike else f"{name} ({count:.0f})" for name, count in zip(data["forecaster"], data["count"])]
    empty = "There is no past forecast to compare."
    ax = forest.rows(data, heading="measure", value="value", marker="marker", labels=labels, empty=empty, ax=ax)
    each = f"{wording.count(int(data['count'].iloc[0]), 'forecast')} each" if alike else ""
    forecasts = each or "in brackets: number of forecasts"
    style.names(
        ax, x=measure.rsplit(": ", 1)[-1], title="This model beside simple rules",
        note=f"◆ this model · ○ a simple rule · line: 90 % interval · {forecasts}",
    )  # fmt: skip
    return ax
