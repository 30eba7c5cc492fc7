"""Replacements and their cost by month, with the band that eight in ten outcomes stay within."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def budget_data(budget: pd.DataFrame, quantity: str = "cost") -> pd.DataFrame:
    """Month, expected, p10, p50, p90 and cumulated (expected, from the first month) of `quantity`.

    budget: the budget table. quantity: "cost" (in the policy's currency) or "count" (sensors).
    """
    if quantity not in ("cost", "count"):
        raise ValueError(f"quantity is 'cost' or 'count', not {quantity!r}")
    frame = budget[["month"]].copy()
    for part in ("expected", "p10", "p50", "p90"):
        frame[part] = budget[f"{part}_{quantity}"].astype(float)
    frame["month"] = pd.to_datetime(frame["month"])
    frame["cumulated"] = frame["expected"].cumsum()
    return frame.reset_index(drop=True)


def budget(table: pd.DataFrame, quantity: str = "cost", *, currency: str = "", ax: Axes | None = None) -> Axes:
    """Draw the expected sum of each month as a bar and the 10 to 90 % band as a line over it.

    table: the budget table; quantity: "cost" or "count"; currency: unit of the cost. The yearly expected sums stand
    above their months. Returns the Axes.
    """
    data = budget_data(table, quantity)
    ax = style.new_axes(ax, 8.5, 3.8)
    if data.empty:
        return style.nothing(ax, "No month in the budget.")
    place = np.arange(len(data))
    ax.bar(place, data["expected"], width=0.72, color=style.SKY, edgecolor=style.BLUE, linewidth=0.6)
    ax.vlines(place, data["p10"], data["p90"], color=style.INK, linewidth=1.3)
    ax.scatter(place, data["p90"], marker="_", s=28, color=style.INK, linewidth=1.3)
    top = float(data[["p90", "expected"]].max().max()) or 1.0
    ax.set(ylim=(0, top * 1.28), xlim=(-0.7, len(data) - 0.3))
    _label_years(ax, data, quantity, currency, top)
    step = next((months for months in (1, 2, 3, 6, 12) if len(data) / months <= style.width_of(ax) * 1.4), 24)
    ax.set_xticks(place[::step], [f"{month:%Y-%m}" for month in data["month"].iloc[::step]])
    style.grid(ax, "y")
    unit = currency or "currency" if quantity == "cost" else "sensors"
    style.names(
        ax, x="month", y=f"{'cost' if quantity == 'cost' else 'replacements'} a month ({unit})",
        title="Cost by month" if quantity == "cost" else "Replacements by month",
        note="bar: expected, with its sum by year above · line: from the 10 % to the 90 % quantile",
    )  # fmt: skip
    return ax


def _label_years(ax: Axes, data: pd.DataFrame, quantity: str, currency: str, top: float) -> None:
    for start in range(0, len(data) - 5, 12):
        part = data.iloc[start : start + 12]
        total = part["expected"].sum()
        text = wording.money(total, currency) if quantity == "cost" else wording.count(round(total), "sensor")
        if style.width_of(ax) > 6:
            months = "" if len(part) == 12 else f" ({len(part)} months)"
            text = f"year {start // 12 + 1}{months}: {text} expected"
        ax.hlines(top * 1.12, start - 0.3, start + len(part) - 0.7, color=style.MUTED, linewidth=0.8)
        style.write(
            ax, text, start + len(part) / 2 - 0.5, top * 1.12,
            offset=(0, 3), ha="center", va="bottom",
        )  # fmt: skip
