"""Whether what was called likely came: forecasts made on past dates against what happened."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Z90 = 1.6448536269514722
ROOM = 0.045  # chance between two points from which on there is room for a number at each


def reliability_data(probability: ArrayLike, happened: ArrayLike, *, bins: int = 10) -> pd.DataFrame:
    """Forecast probabilities in bins of equal width against the share that came true.

    probability: (n,) forecast chances. happened: (n,) 0 or 1. Returns lower, upper, count, predicted (mean chance),
    observed (share), low, high (90 % Wilson limits of the share: Wilson 1927, J. Am. Stat. Assoc. 22, 209-212), one row
    for each bin with a forecast in it.
    """
    p, y = np.asarray(probability, dtype=float), np.asarray(happened, dtype=float)
    place = np.clip((p * bins).astype(int), 0, bins - 1)
    count = np.bincount(place, minlength=bins)
    there = count > 0
    edges = np.linspace(0, 1, bins + 1)
    frame = with_limits(
        np.bincount(place, p, bins)[there] / count[there], np.bincount(place, y, bins)[there] / count[there], count[there]
    )
    frame.insert(0, "lower", edges[:-1][there])
    frame.insert(1, "upper", edges[1:][there])
    return frame


def with_limits(predicted: ArrayLike, observed: ArrayLike, count: ArrayLike) -> pd.DataFrame:
    """Count, predicted, observed, and the share's 90 % Wilson limits low and high, from binned forecasts."""
    share, n = np.asarray(observed, dtype=float), np.asarray(count, dtype=float)
    middle = (share + Z90**2 / (2 * n)) / (1 + Z90**2 / n)
    half = Z90 / (1 + Z90**2 / n) * np.sqrt(share * (1 - share) / n + Z90**2 / (4 * n**2))
    low, high = np.clip(middle - half, 0, 1), np.clip(middle + half, 0, 1)
    return pd.DataFrame({"count": n, "predicted": predicted, "observed": share, "low": low, "high": high})


def reliability(data: pd.DataFrame, *, name: str = "", ax: Axes | None = None) -> Axes:
    """Draw the reliability diagram: forecast chance against the share that came true, with limits and counts.

    data: predicted, observed, low, high, count, as from reliability_data. Points on the diagonal are what honest
    forecasts give. Returns the Axes.
    """
    ax = style.new_axes(ax, 4.8, 4.6)
    if data.empty:
        return style.nothing(ax, "No forecast has come due: there is nothing to compare yet.")
    ax.plot([0, 1], [0, 1], color=style.INK, linewidth=0.9)
    ax.vlines(data["predicted"], data["low"], data["high"], color=style.BLUE, linewidth=1.6)
    ax.scatter(data["predicted"], data["observed"], s=34, facecolor=style.PAPER, edgecolor=style.BLUE, zorder=3)
    apart = np.diff(np.concatenate([[-1], np.sort(data["predicted"].to_numpy(dtype=float)), [2]]))
    alone = data.sort_values("predicted")[np.minimum(apart[:-1], apart[1:]) > ROOM]
    for x, y, n in zip(alone["predicted"], alone["high"], alone["count"]):
        style.write(ax, wording.number(n), x, y, offset=(0, 3), ha="center", va="bottom", color=style.MUTED)
    ax.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.08), aspect="equal", anchor="W")
    style.grid(ax, "both")
    style.names(
        ax, x="forecast chance", y="share that came true", title=f"Chance and outcome{', ' + name if name else ''}",
        note="diagonal: came as forecast · line: 90 % limits · number: forecasts in the bin, where there is room",
    )  # fmt: skip
    return ax
