"""Control charts: is a series of readings still where it was, or has it begun to move?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def ewma_data(
    values: ArrayLike, *, target: float, sigma: float, weight: float = 0.3, limit: float = 3.0, exact: bool = True
) -> pd.DataFrame:
    """Exponentially weighted moving average with its control limits.

    values: (n,) in order of time. target: where the series should be. sigma: standard deviation of one value. weight:
    weight of the newest value. limit: width of the limits in standard deviations of the average. exact: limits for the
    number of values so far; else those reached in the long run. Returns value, ewma, low, high, outside.
    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    """
    x = np.asarray(values, dtype=float)
    average = np.empty(x.size)
    last = target
    for k, value in enumerate(x):
        last = weight * value + (1 - weight) * last
        average[k] = last
    grown = 1 - (1 - weight) ** (2 * np.arange(1, x.size + 1)) if exact else np.ones(x.size)
    half = limit * sigma * np.sqrt(weight / (2 - weight) * grown)
    outside = np.abs(average - target) > half
    return pd.DataFrame({"value": x, "ewma": average, "low": target - half, "high": target + half, "outside": outside})


def cusum_data(values: ArrayLike, *, target: float, slack: float, limit: float) -> pd.DataFrame:
    """Tabular cumulative sums above and below the target.

    values: (n,) in order of time. slack: drift that is let pass, usually half the shift to be found (k). limit: sum
    that signals (h), both in the unit of the values. Returns value, above, below, outside.
    Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    x = np.asarray(values, dtype=float)
    above, below = np.empty(x.size), np.empty(x.size)
    up = down = 0.0
    for k, value in enumerate(x):
        up = max(0.0, up + value - target - slack)
        down = max(0.0, down + target - slack - value)
        above[k], below[k] = up, down
    return pd.DataFrame({"value": x, "above": above, "below": below, "outside": (above > limit) | (below > limit)})


def control_chart(
    times: ArrayLike, data: pd.DataFrame, *, y: str = "residual (ln ratio)", name: str = "", ax: Axes | None = None
) -> Axes:
    """Draw an EWMA control chart. times: (n,) dates or numbers; data: from ewma_data; y: name and unit of the
    values."""
    ax = style.new_axes(ax, 8.0, 3.4)
    if data.empty:
        return style.nothing(ax, "No reading to chart.")
    x = np.asarray(times)
    ax.fill_between(x, data["low"], data["high"], color=style.SKY, alpha=0.35, linewidth=0, step="mid")
    ax.scatter(x, data["value"], s=14, color=style.MUTED)
    ax.plot(x, data["ewma"], color=style.BLUE, linewidth=1.8)
    out = data["outside"].to_numpy(dtype=bool)
    ax.scatter(x[out], data["ewma"][out], s=42, marker="D", color=style.VERMILION, zorder=4)
    style.grid(ax, "y")
    state = f"◆ {wording.count(int(out.sum()), 'point')} outside" if out.any() else "none outside"
    style.names(
        ax, y=y, title=f"Control chart{', ' + name if name else ''}",
        note=f"● readings · line: weighted average · band: where it stays when nothing changes · {state}",
    )  # fmt: skip
    if np.issubdtype(x.dtype, np.datetime64):
        style.dates(ax)
    else:
        from matplotlib.ticker import MaxNLocator

        ax.xaxis.set_major_locator(MaxNLocator(integer=True))
        ax.set_xlabel("reading", color=style.INK, fontsize=style.NORMAL, fontfamily=style.FONT)
    return ax
