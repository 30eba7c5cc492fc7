"""Replacements and their cost by month, with the band that eight in ten outcomes stay within."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def whole_fleet(table: pd.DataFrame) -> pd.DataFrame:
    """The rows of the budget table that are about the fleet as a whole, where it has rows by site or technology too."""
    return table[table["by"] == "fleet"] if "by" in table else table


def budget_data(table: pd.DataFrame, quantity: str = "cost") -> pd.DataFrame:
    """Month, expected, p10, p50, p90, and the same from the first month on (until_expected, until_p10, until_p90).

    table: the budget table. quantity: "cost" (in the policy's currency) or "count" (sensors). Quantiles of sums are not
    sums of quantiles: where the table has no cumulated ones, until_p10 and until_p90 are NaN.
    """
    if quantity not in ("cost", "count"):
        raise ValueError(f"quantity is 'cost' or 'count', not {quantity!r}")
    rows = whole_fleet(table)
    frame = pd.DataFrame({"month": pd.to_datetime(rows["month"])})
    for part in ("expected", "p10", "p50", "p90"):
        frame[part] = rows[f"{part}_{quantity}"].astype(float)
    frame["until_expected"] = frame["expected"].cumsum()
    for part in ("p10", "p90"):
        name = f"cumulative_{part}_{quantity}"
        frame[f"until_{part}"] = rows[name].astype(float) if name in rows else np.nan
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
    ax.set(ylim=(0, top * 1.32), xlim=(-0.7, len(data) - 0.3))
    _label_years(ax, data, quantity, currency, top)
    step = next((months for months in (1, 2, 3, 6, 12) if len(data) / months <= style.width_of(ax) * 1.4), 24)
    ax.set_xticks(place[::step], [f"{month:%Y-%m}" for month in data["month"].iloc[::step]])
    style.grid(ax, "y")
    unit = currency or "currency" if quantity == "cost" else "sensors"
    style.names(
        ax, x="month", y=f"{'cost' if quantity == 'cost' else 'replacements'} a month ({unit})",
        title="Cost by month" if quantity == "cost" else "Replacements by month",
        note="bar: expected · line: 10 % to 90 % quantile · above: sums of the first 12, 24, ... months (10 % to 90 %)",
    )  # fmt: skip
    return ax


def _label_years(ax: Axes, data: pd.DataFrame, quantity: str, currency: str, top: float) -> None:
    """Sums from the first month to the end of each year, with their band where it is known."""

    def amount(value: float) -> str:
        return wording.money(value, currency) if quantity == "cost" else wording.number(value)

    wide = style.width_of(ax) > 6
    for stop in range(12, len(data) + 1, 12):
        row = data.iloc[stop - 1]
        text = amount(row["until_expected"])
        if wide and np.isfinite(row["until_p10"]):
            text += f" ({amount(row['until_p10'])} to {amount(row['until_p90'])})"
        label = f"{stop} months: {text}" if wide else f"{stop}: {text}"
        ax.axvline(stop - 0.5, color=style.MUTED, linewidth=0.8, linestyle=(0, (1, 2)))
        height = top * (1.24 - 0.075 * (stop // 12 - 1))
        if stop == 12:
            style.write(ax, label, -0.7, height, offset=(2, 0))
        else:
            style.write(ax, label, stop - 0.5, height, offset=(-4, 0), ha="right")
