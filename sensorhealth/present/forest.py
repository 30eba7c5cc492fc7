"""Estimates with intervals in rows, grouped under headings: the form that lots and cylinders share."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def rows(
    data: pd.DataFrame, *, heading: str, value: str, marker: str, side: str = "", labels: list[str], empty: str, ax: Axes | None
) -> Axes:
    """Draw `data` from top to bottom: `value` with low and high, in groups of equal `heading`.

    marker names the column with each row's marker ("" = open circle: nothing proven); remark, where there is one, is
    the column of words set beside the interval. side: column that says on which side of the interval the words stand
    (left, right; "": all right). labels: names of the rows. empty: what to say when there are no rows.
    """
    names = data[heading].astype(str)
    starts = (names != names.shift()).to_numpy(dtype=bool)
    place = np.arange(len(data)) + np.cumsum(starts) * 1.3
    ax = style.new_axes(ax, 8.5, 1.4 + 0.2 * (place[-1] + 1 if len(place) else 1))
    if data.empty:
        return style.nothing(ax, empty)
    marks = data[marker].astype(str).to_numpy()
    proven = marks != ""
    colour = np.where(proven, style.VERMILION, style.BLUE)
    ax.hlines(place, data["low"], data["high"], color=colour, linewidth=1.6)
    at = data[value].to_numpy(dtype=float)
    ax.scatter(at[~proven], place[~proven], s=26, facecolor=style.PAPER, edgecolor=style.BLUE, zorder=3)
    for shape in np.unique(marks[proven]):
        chosen = marks == shape
        ax.scatter(at[chosen], place[chosen], s=44, marker=shape, color=style.VERMILION, zorder=3)
    outward = data.loc[proven, side].to_numpy() if side else np.full(int(proven.sum()), "right")
    for y, way, row in zip(place[proven], outward, data[proven].to_dict("records")):
        if way == "left":
            style.write(ax, row["remark"], row["low"], y, offset=(-6, 0), ha="right")
        else:
            style.write(ax, row["remark"], row["high"], y, offset=(6, 0))
    for y, name in zip(place[starts], names[starts]):
        style.write(ax, name, 0, y - 0.95, coordinates=("axes fraction", "data"), color=style.MUTED, offset=(2, 0))
    ax.set_yticks(place, [wording.short(label, 34 if style.width_of(ax) > 6 else 22) for label in labels], **style.PLAIN)
    ax.tick_params(axis="y", length=0)
    ax.set_ylim(place[-1] + 0.8, place[0] - 1.6)
    words = data.loc[proven, "remark"].astype(str)
    room = {way: _room(ax, words[outward == way]) for way in ("left", "right")}
    low, high = float(data["low"].min()), float(data["high"].max())
    whole = (high - low) / (1 - room["left"] - room["right"]) + 1e-12
    ax.set_xlim(low - room["left"] * whole, high + room["right"] * whole)
    style.grid(ax, "x")
    return ax


def _room(ax: Axes, words: pd.Series) -> float:
    """The share of the width of `ax` that the longest of `words` takes beside an interval."""
    letters = int(words.str.len().max()) if len(words) else 0
    return min(0.4, 0.03 + letters * 0.58 * style.SMALL / 72 / (0.78 * style.width_of(ax)))
