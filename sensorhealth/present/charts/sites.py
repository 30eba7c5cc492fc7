"""The same picture for every site: how much of each site's fleet still has how long."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording
from sensorhealth.present.charts.runway import QUANTILES, WITH_FORECAST

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAX_SITES = 12
STEPS = 40
OTHERS = "other sites"


def sites_data(forecast: pd.DataFrame, sensors: pd.DataFrame, *, max_sites: int = MAX_SITES) -> pd.DataFrame:
    """For each site, its sensors in order of remaining life at 40 even shares of the site's fleet.

    forecast: the forecast table. sensors: the fleet's sensors (for site). Returns site, sensors (how many with a
    forecast), share (0..1, soonest first) and the quantiles of the remaining life in days there. Sites beyond the
    max_sites largest are taken together as "other sites".
    """
    rows = forecast.loc[forecast["status"].isin(WITH_FORECAST) & forecast["rul_days_p50"].notna()]
    site = rows["sensor_id"].map(sensors.set_index("sensor_id")["site"]).fillna("").replace("", "site unknown")
    largest = site.value_counts()
    if len(largest) > max_sites:
        site = site.where(site.isin(largest.index[: max_sites - 1]), OTHERS)
    share = (np.arange(STEPS) + 0.5) / STEPS
    parts = []
    for name, group in rows.groupby(site, sort=True):
        ordered = group.sort_values("rul_days_p50")[list(QUANTILES)].to_numpy(dtype=float)
        place = (np.arange(len(ordered)) + 0.5) / len(ordered)
        part = pd.DataFrame({q: np.interp(share, place, ordered[:, k]) for k, q in enumerate(QUANTILES)})
        parts.append(part.assign(site=name, sensors=len(ordered), share=share))
    if not parts:
        return pd.DataFrame(columns=["site", "sensors", "share", *QUANTILES])
    return pd.concat(parts, ignore_index=True)[["site", "sensors", "share", *QUANTILES]]


def sites(forecast: pd.DataFrame, sensors: pd.DataFrame, *, years: float = 4.0, ax: Axes | None = None) -> Axes:
    """Draw one small runway per site, all on the same scales, inside `ax`. forecast, sensors: see sites_data.

    years: how far to draw. Returns the Axes that holds the small ones.
    """
    data = sites_data(forecast, sensors)
    names = list(dict.fromkeys(data["site"]))
    columns = max(1, min(len(names), 2 if ax is not None and style.width_of(ax) < 6 else 4))
    rows = max(1, -(-len(names) // columns))
    ax = style.new_axes(ax, 8.5, 0.9 + 1.9 * rows)
    if data.empty:
        return style.nothing(ax, "No sensor has a forecast.")
    ax.set_axis_off()
    for k, name in enumerate(names):
        column, row = k % columns, k // columns
        wide, high = 1 / columns, 1 / rows
        box = (column * wide + 0.02, 1 - (row + 1) * high + 0.12 * high, wide - 0.04, high * 0.74)
        _panel(style.new_axes(ax.inset_axes(box)), data[data["site"] == name], years, column == 0, row == rows - 1)
    rest = " · other sites: all smaller ones together" if OTHERS in names else ""
    style.names(
        ax, title="Remaining life by site",
        note="down: share of the site's sensors, soonest end first · across: years from the as-of date · line: median "
        f"· inner band: 5 chances in 10 · outer: 9 in 10{rest}",
    )  # fmt: skip
    return ax


def _panel(ax: Axes, data: pd.DataFrame, years: float, first: bool, last: bool) -> None:
    life = {q: np.minimum(data[q].to_numpy() / 365.25, years) for q in QUANTILES}
    share = data["share"].to_numpy()
    ax.fill_betweenx(share, life[QUANTILES[0]], life[QUANTILES[4]], color=style.SKY, alpha=0.45, linewidth=0)
    ax.fill_betweenx(share, life[QUANTILES[1]], life[QUANTILES[3]], color=style.BLUE, alpha=0.5, linewidth=0)
    ax.plot(life[QUANTILES[2]], share, color=style.INK, linewidth=1.4)
    ax.set(xlim=(0, years), ylim=(1, 0))
    ax.set_yticks([0, 0.5, 1], ["0", "half", "all"] if first else ["", "", ""])
    ax.set_xticks(range(int(years) + 1))
    style.grid(ax, "both")
    within = int(round((data["rul_days_p50"] < 365.25).mean() * data["sensors"].iloc[0]))
    heading = f"{wording.short(data['site'].iloc[0], 20)} ({wording.number(data['sensors'].iloc[0])})"
    style.write(ax, heading, 0, 1, coordinates="axes fraction", offset=(0, 6), va="bottom", fontsize=style.NORMAL)
    style.write(
        ax, f"{wording.number(within)} within a year", 1, 1, coordinates="axes fraction", offset=(-2, -3), ha="right", va="top"
    )
    if last:
        ax.set_xlabel("years", color=style.INK, fontsize=style.SMALL, fontfamily=style.FONT)
