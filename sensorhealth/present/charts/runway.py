"""The fleet's runway: how long each sensor still has, against its warranty and the visits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

QUANTILES = ("rul_days_p05", "rul_days_p25", "rul_days_p50", "rul_days_p75", "rul_days_p95")
WITH_FORECAST = ("forecast", "group forecast", "at end")
LABELLED_ROWS = 45


def runway_data(forecast: pd.DataFrame, sensors: pd.DataFrame | None = None, *, max_rows: int = 240) -> pd.DataFrame:
    """One row per sensor with a forecast, soonest end first; groups of neighbours in that order where there are too
    many.

    forecast: the forecast table. sensors: the fleet's sensors (for warranty_end). max_rows: rows above which sensors of
    similar remaining life are taken together; a group's numbers are the medians over its sensors.

    Returns label (sensor_id, "" for groups), sensors (how many the row stands for), rul_days_p05, _p25, _p50, _p75,
    _p95 (days from the as-of date) and warranty_days (days until the warranty ends; NaN where it has ended or is not
    recorded).
    """
    rows = forecast.loc[forecast["status"].isin(WITH_FORECAST) & forecast["rul_days_p50"].notna()]
    frame = rows[["sensor_id", *QUANTILES]].astype(dict.fromkeys(QUANTILES, float)).rename(columns={"sensor_id": "label"})
    frame["warranty_days"] = np.nan
    if sensors is not None and "warranty_end" in sensors and len(rows):
        ends = pd.to_datetime(rows["sensor_id"].map(sensors.set_index("sensor_id")["warranty_end"]))
        days = (ends - pd.to_datetime(rows["as_of"])).dt.total_seconds() / 86400
        frame["warranty_days"] = days.where(days >= 0)
    frame = frame.sort_values(["rul_days_p50", "rul_days_p05", "label"], kind="stable", ignore_index=True)
    frame.insert(1, "sensors", 1)
    if len(frame) <= max_rows:
        return frame
    group = np.arange(len(frame)) * max_rows // len(frame)
    merged = frame.groupby(group).agg(dict.fromkeys((*QUANTILES, "warranty_days"), "median") | {"sensors": "sum"})
    merged.insert(0, "label", "")
    return merged[list(frame.columns)].reset_index(drop=True)


def runway(
    forecast: pd.DataFrame,
    sensors: pd.DataFrame | None = None,
    visits: Sequence[pd.Timestamp] | pd.Series | None = None,
    *,
    years: float | None = None,
    max_rows: int = 240,
    name: str = "",
    ax: Axes | None = None,
) -> Axes:
    """Draw each sensor's remaining life (median, half and nine tenths of the chance) from the as-of date on.

    forecast, sensors, max_rows: see runway_data. visits: dates of visits, drawn along the top. years: how far to
    draw; by default as far as most medians lie, at most ten years. name: which sensors these are, for the title. Up to 45
    sensors are drawn one by one with their names. Returns the Axes.
    """
    data = runway_data(forecast, sensors, max_rows=max_rows)
    labelled = len(data) <= LABELLED_ROWS and bool((data["sensors"] == 1).all())
    ax = style.new_axes(ax, 8.5, max(2.4, 1.4 + 0.17 * len(data)) if labelled else 5.0)
    if data.empty:
        return style.nothing(ax, "No sensor has a forecast.")
    as_of = pd.Timestamp(forecast["as_of"].iloc[0])
    end = years or float(np.clip(np.ceil(data["rul_days_p50"].quantile(0.8) / 365.25 * 1.1), 1, 10))
    edges = np.concatenate([[0], np.cumsum(data["sensors"])])
    middle = (edges[:-1] + edges[1:]) / 2
    drawn = {name: np.minimum(data[name].to_numpy() / 365.25, end) for name in QUANTILES}
    if labelled:
        _draw_lines(ax, data, drawn, middle)
    else:
        _draw_bands(ax, drawn, edges)
    beyond = _draw_medians(ax, data, drawn, middle, end, 26 if labelled else 4)
    warranty = data["warranty_days"].to_numpy() / 365.25
    seen = (warranty <= end) & (data["sensors"] == 1).to_numpy()
    size = 34 if labelled else 9
    ax.scatter(warranty[seen], middle[seen], s=size, marker="|", color=style.VERMILION, linewidth=1.6, zorder=5)
    visited = visits is not None and _draw_visits(ax, as_of, pd.to_datetime(pd.Series(list(visits))), end)
    ax.set(xlim=(0, end), ylim=(edges[-1], 0))
    if not labelled:
        ax.yaxis.set_major_formatter(lambda n, place: wording.number(n))
    _mark_dates(ax, as_of, end)
    style.grid(ax, "x")
    marks = {"| warranty ends": bool(seen.any()), "▸ median beyond": beyond, "▼ visits": visited}
    _describe(ax, data, labelled, name, [mark for mark, there in marks.items() if there])
    style.names(ax, x=f"end of life, from {as_of:%Y-%m-%d} on")
    return ax


def _mark_dates(ax: Axes, as_of: pd.Timestamp, end: float) -> None:
    """Dates under an axis that counts years from the as-of date."""
    ticks, form = style.calendar(as_of, as_of + pd.Timedelta(days=365.25 * end), style.date_labels(ax))
    ax.set_xticks((ticks - as_of).total_seconds() / (365.25 * 86400), [f"{tick:{form}}" for tick in ticks])


def _draw_lines(ax: Axes, data: pd.DataFrame, drawn: dict[str, np.ndarray], middle: np.ndarray) -> None:
    ax.hlines(middle, drawn[QUANTILES[0]], drawn[QUANTILES[4]], color=style.SKY, linewidth=2, zorder=2)
    ax.hlines(middle, drawn[QUANTILES[1]], drawn[QUANTILES[3]], color=style.BLUE, linewidth=5, zorder=3)
    ax.set_yticks(middle, [wording.short(label) for label in data["label"]], **style.PLAIN)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)


def _draw_bands(ax: Axes, drawn: dict[str, np.ndarray], edges: np.ndarray) -> None:
    for low, high, colour in ((0, 4, style.SKY), (1, 3, style.BLUE)):
        left, right = (np.append(drawn[QUANTILES[q]], drawn[QUANTILES[q]][-1]) for q in (low, high))
        ax.fill_betweenx(edges, left, right, step="post", color=colour, alpha=0.55, linewidth=0, zorder=2)


def _draw_medians(
    ax: Axes, data: pd.DataFrame, drawn: dict[str, np.ndarray], middle: np.ndarray, end: float, size: float
) -> bool:
    """Circles at the medians; triangles at the edge for those beyond it. Whether there are such."""
    inside = data[QUANTILES[2]].to_numpy() / 365.25 < end
    at = drawn[QUANTILES[2]]
    face = style.PAPER if size > 10 else style.INK
    ax.scatter(at[inside], middle[inside], s=size, facecolor=face, edgecolor=style.INK, linewidth=0.8, zorder=4)
    ax.scatter(at[~inside], middle[~inside], s=size, marker=">", color=style.INK, clip_on=False, zorder=4)
    return bool((~inside).any())


def _draw_visits(ax: Axes, as_of: pd.Timestamp, dates: pd.Series, end: float) -> bool:
    """Small triangles along the top at the dates of visits. Whether there are such."""
    years = np.unique((dates - as_of).dt.days.to_numpy() / 365.25)
    years = years[(years >= 0) & (years <= end)]
    top = np.ones(len(years))
    ax.scatter(years, top, s=16, marker="v", color=style.INK, transform=ax.get_xaxis_transform(), clip_on=False, zorder=6)
    return len(years) > 0


def _describe(ax: Axes, data: pd.DataFrame, labelled: bool, name: str, marks: list[str]) -> None:
    total = int(data["sensors"].sum())
    each = f"{wording.count(total, 'sensor')}, one row each"
    if total > len(data):
        each = f"{wording.count(total, 'sensor')}; a row: medians over about {total / len(data):.0f} of similar life"
    parts = [
        each,
        "○ median" if labelled else "● median",
        "inner band: 5 chances in 10",
        "outer: 9 in 10",
        *marks,
    ]
    y = "" if labelled else "sensors, soonest end first"
    style.names(ax, y=y, title=f"Remaining life{', ' + name if name else ''}", note=" · ".join(parts))
