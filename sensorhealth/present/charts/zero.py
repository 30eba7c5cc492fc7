"""Zero offsets: one sensor's drift, or the band in which a whole group lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

QUANTILES = {"p05": 0.05, "p25": 0.25, "p50": 0.5, "p75": 0.75, "p95": 0.95}


def zero_drift_data(calibrations: pd.DataFrame) -> pd.DataFrame:
    """Zero offsets in time: each reading of one sensor, or quantiles by quarter over several sensors.

    calibrations: rows with sensor_id, time and zero_offset (one unit). Returns time, zero_offset for one sensor; time,
    sensors, p05, p25, p50, p75, p95 for several.
    """
    frame = calibrations.loc[calibrations["zero_offset"].notna(), ["sensor_id", "time", "zero_offset"]]
    if frame["sensor_id"].nunique() <= 1:
        return frame[["time", "zero_offset"]].sort_values("time", ignore_index=True)
    quarter = pd.to_datetime(frame["time"]).dt.to_period("Q").dt.to_timestamp().to_numpy() + np.timedelta64(45, "D")
    groups = frame.groupby(quarter)
    table = pd.DataFrame({name: groups["zero_offset"].quantile(q) for name, q in QUANTILES.items()})
    table.insert(0, "sensors", groups["sensor_id"].nunique())
    return table.rename_axis("time").reset_index()


def zero_drift(
    calibrations: pd.DataFrame,
    *,
    unit: str = "",
    doubted: pd.Series | None = None,
    name: str = "",
    ax: Axes | None = None,
) -> Axes:
    """Draw the zero offset of one sensor (points), or the band of several (median, half, nine tenths).

    calibrations: see zero_drift_data. unit: of the offsets. doubted: times of zeros held to be set in contaminated air
    (one sensor), drawn as crosses. Returns the Axes.
    """
    data = zero_drift_data(calibrations)
    ax = style.new_axes(ax, 8.0, 3.2)
    if data.empty:
        return style.nothing(ax, "No zero offset is recorded.")
    ax.axhline(0, color=style.INK, linewidth=0.9)
    if "zero_offset" in data:
        odd = data["time"].isin(doubted) if doubted is not None else pd.Series(False, index=data.index)
        ax.plot(data["time"][~odd], data["zero_offset"][~odd], color=style.BLUE, linewidth=0.8)
        ax.scatter(data["time"][~odd], data["zero_offset"][~odd], s=18, color=style.BLUE, zorder=3)
        ax.scatter(data["time"][odd], data["zero_offset"][odd], s=40, marker="x", color=style.VERMILION, zorder=4)
        note = wording.count(len(data), "reading in clean air", "readings in clean air") + (
            " · × in doubt: contaminated air?" if odd.any() else ""
        )
    else:
        ax.fill_between(data["time"], data["p05"], data["p95"], color=style.SKY, alpha=0.35, linewidth=0)
        ax.fill_between(data["time"], data["p25"], data["p75"], color=style.SKY, alpha=0.6, linewidth=0)
        ax.plot(data["time"], data["p50"], color=style.BLUE, linewidth=1.8)
        most = wording.count(int(np.max(data["sensors"])), "sensor")
        note = f"line: median · inner band: half of the sensors · outer: nine tenths · up to {most}, by quarter"
    style.grid(ax, "y")
    style.dates(ax)
    of = f" of {name}" if name else ""
    style.names(ax, y=f"zero offset ({unit})" if unit else "zero offset", title=f"Zero offset{of}", note=note)
    return ax
