"""Replacements and their cost by month, with the band that eight in ten outcomes stay within."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes


WIDE = 6.0  # inches from which on there is room for the bands of the sums
YEAR_ROW = 0.08  # height of a line of words above the bars, as a share of the highest


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
    ax.set(ylim=(0, top * (1.1 + YEAR_ROW * (len(data) // 12))), xlim=(-0.7, len(data) - 0.3))
    _label_years(ax, data, quantity, currency, top)
    _mark_amounts(ax, top)
    step = next((months for months in (1, 2, 3, 6, 12) if len(data) / months <= style.width_of(ax) * 1.4), 24)
    ax.set_xticks(place[::step], [f"{month:%Y-%m}" for month in data["month"].iloc[::step]])
    style.grid(ax, "y")
    banded = style.width_of(ax) > WIDE and bool(np.isfinite(data["until_p10"]).any())
    unit = currency or "currency" if quantity == "cost" else "sensors"
    style.names(
        ax, x="month", y=f"{'cost' if quantity == 'cost' else 'replacements'} a month ({unit})",
        title="Cost by month" if quantity == "cost" else "Replacements by month",
        note="bar: expected · line: 8 chances in 10 · above: sums from the first month on"
        f"{' (8 chances in 10)' if banded else ''}",
    )  # fmt: skip
    return ax


def _label_years(ax: Axes, data: pd.DataFrame, quantity: str, currency: str, top: float) -> None:
    """Sums from the first month to the end of each year, with their band where it is known."""

    def amount(value: float) -> str:
        return wording.money(value, "").strip() if quantity == "cost" else wording.number(value)

    unit = f" {currency}" if quantity == "cost" else ""
    stops = range(12, len(data) + 1, 12)
    rows = [top * (1.08 + YEAR_ROW * (len(stops) - place - 0.5)) for place in range(len(stops))]
    free = 0.35 * YEAR_ROW * top  # above and below a label, where the line of an earlier year makes way for it
    for place, (stop, height) in enumerate(zip(stops, rows, strict=True)):
        row = data.iloc[stop - 1]
        text = f"{stop} months: {amount(row['until_expected'])}{unit}"
        if style.width_of(ax) > WIDE and np.isfinite(row["until_p10"]):
            text += f" ({amount(row['until_p10'])} to {amount(row['until_p90'])})"
        below = np.array(rows[:place:-1])
        begins, ends = np.append(0.0, below + free), np.append(below - free, height)
        ax.vlines(np.full(len(ends), stop - 0.5), begins, ends, color=style.MUTED, linewidth=0.8, linestyle=(0, (1, 2)))
        if place == 0:
            style.write(ax, text, -0.7, height, offset=(2, 0))
        else:
            style.write(ax, text, stop - 0.5, height, offset=(-4, 0), ha="right")


def _mark_amounts(ax: Axes, top: float) -> None:
    """Round amounts on the axis, no higher than the bars reach, in groups of three."""
    from matplotlib.ticker import MaxNLocator

    ticks = [tick for tick in MaxNLocator(6, integer=True).tick_values(0, top) if tick <= top * 1.08]
    ax.set_yticks(ticks, [wording.number(tick) for tick in ticks])
