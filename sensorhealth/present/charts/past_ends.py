"""Forecasts of ends made on past dates beside the ends that came: where they fell, and how near the median was."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ALPHA = 0.2  # alpha-lambda accuracy of Saxena et al. (2010): within this share of the true remaining life
BINS = 10
FEW = 80  # ends whose intervals are drawn too


def integrals_data(low: ArrayLike, high: ArrayLike, known: ArrayLike, *, bins: int = BINS) -> pd.DataFrame:
    """Share of outcomes in each tenth of their forecasts, by maximum likelihood where they are known within limits only.

    low, high: (n,) forecast chance of an outcome up to its two bounds. known: (n,) False for outcomes known from below only.
    Returns lower, upper (of the forecast), share, and the limits least and most in which right forecasts of as many known
    outcomes have the share of one tenth in nine cases of ten (binomial).
    """
    from scipy.stats import binom

    from sensorhealth.evaluate.scores import Integrals

    count = int(np.asarray(known, dtype=bool).sum())
    edges = np.linspace(0.0, 1.0, bins + 1)
    told = Integrals(np.asarray(low, dtype=float), np.asarray(high, dtype=float))
    share = told.histogram(bins) if count else np.full(bins, np.nan)
    least, most = (binom.ppf(q, count, 1.0 / bins) / max(count, 1) for q in (0.05, 0.95))
    return pd.DataFrame({"lower": edges[:-1], "upper": edges[1:], "share": share, "least": least, "most": most, "count": count})


def integrals(data: pd.DataFrame, *, what: str = "ends", ax: Axes | None = None) -> Axes:
    """Draw in which tenth of their forecasts outcomes fell (probability integrals): level where forecasts are right.

    data: from integrals_data; what: the outcomes, in a word.
    """
    ax = style.new_axes(ax, 6.4, 3.4)
    if data.empty or not data["count"].iloc[0]:
        return style.nothing(ax, f"No {what} have come: there is nothing to compare yet.")
    expected = 1.0 / len(data)
    least, most = 100 * data["least"].iloc[0], 100 * data["most"].iloc[0]
    ax.axhspan(least, most, color=style.SKY, alpha=0.35, linewidth=0)
    ax.axhline(100 * expected, color=style.INK, linewidth=0.9)
    bars = ax.bar(100 * data["lower"], 100 * data["share"], width=92.0 / len(data), align="edge", facecolor="none")
    for bar in bars:
        bar.set(edgecolor=style.BLUE, linewidth=1.6)
    top = max(100 * float(data["share"].max()), most) * 1.15
    ax.set(xlim=(0, 100), ylim=(0, top))
    ax.set_xticks(np.arange(0, 101, 10))
    style.grid(ax, "y")
    style.names(
        ax, x="forecast chance of having come earlier (%)", y=f"share of the {what} (%)",
        title=f"Where in their forecasts the {what} fell",
        note=f"{wording.number(int(data['count'].iloc[0]))} {what} · line: where forecasts are right · "
        "band: chance alone, nine bars of ten · high at both sides: too narrow, in the middle: too wide",
    )  # fmt: skip
    return ax


def closing_in_data(forecasts: pd.DataFrame, *, alpha: float = ALPHA) -> pd.DataFrame:
    """Ended lives of one forecaster: true remaining life beside its forecast, a row for each date it was made on.

    forecasts: rows of `TrackRecord.forecasts`. Returns sensor_id, as_of, true_days (middle of the interval in which the end
    lies), rul_days_p05, rul_days_p50, rul_days_p95, and within: median within alpha of the true remaining life.
    """
    from sensorhealth.evaluate.prognostics import alpha_lambda

    ended = forecasts[forecasts["ended"].astype(bool)]
    true = 0.5 * (ended["lower_days"] + ended["upper_days"])
    columns = ["sensor_id", "as_of", "rul_days_p05", "rul_days_p50", "rul_days_p95"]
    near = alpha_lambda(true, ended["rul_days_p50"], alpha)
    return ended[columns].assign(true_days=true, within=near).sort_values("true_days", ignore_index=True)


def closing_in(data: pd.DataFrame, *, alpha: float = ALPHA, ax: Axes | None = None) -> Axes:
    """Draw forecast against true remaining life of the lives that ended, with the cone of `alpha` about the truth.

    data: from closing_in_data. Lives that have not ended are not in it, so that long forecasts show too rarely.
    """
    ax = style.new_axes(ax, 6.4, 4.6)
    if data.empty:
        return style.nothing(ax, "No life has ended: there is nothing to compare yet.")
    true, middle = data["true_days"].to_numpy(), data["rul_days_p50"].to_numpy()
    last = 1.05 * float(true.max())
    top = max(1.4 * last, float(np.quantile(data["rul_days_p95"], 0.8)))
    ends = np.array([0.0, last])
    ax.fill_between(ends, (1 - alpha) * ends, (1 + alpha) * ends, color=style.SKY, alpha=0.35, linewidth=0)
    ax.plot(ends, ends, color=style.INK, linewidth=0.9)
    shown, few = middle <= top, len(data) <= FEW
    if few:
        ax.vlines(true, data["rul_days_p05"], np.minimum(data["rul_days_p95"], top), color=style.BLUE, linewidth=0.9, alpha=0.6)
    ax.scatter(true[shown], middle[shown], s=22 if few else 12, facecolor=style.PAPER, edgecolor=style.BLUE, zorder=3)
    ax.scatter(true[~shown], np.full((~shown).sum(), 0.985 * top), s=14, marker="^", color=style.BLUE, zorder=3, linewidth=0)
    ax.set(xlim=(0, last), ylim=(0, top))
    style.grid(ax, "both")
    style.names(
        ax, x="true remaining life (days)", y="forecast (days)", title="Forecast and true remaining life of those that ended",
        note="○ median · ▲ beyond the top · " + ("line: 90 % interval · " if few else "")
        + f"band: within {round(100 * alpha)} % of the truth, {int(data['within'].sum())} of {wording.number(len(data))}"
        " · lives that go on are not in it",
    )  # fmt: skip
    return ax
