"""One sensor's path: what was read, what the gas explains, where it is heading and how sure that is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Z90, Z50 = 1.6448536269514722, 0.6744897501960817
RATIO_TICKS = (0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.1, 1.2, 1.3, 1.4, 1.5, 1.75, 2, 2.5, 3, 4, 5, 6, 8, 10)


def path_readings_data(readings: pd.DataFrame, residuals: pd.DataFrame | None = None) -> pd.DataFrame:
    """One row per reading of a sensor's life: time, recorded and corrected headroom ratio, censoring, explained.

    readings: rows of the readings table (time, log_ratio, censoring). residuals: rows of the ageing model's residuals
    for the same readings, by index (gas_effect, session_effect as ln ratios; may be absent). corrected is net of the
    gas and of the session; explained is the factor taken out.
    """
    frame = readings[["time", "log_ratio", "censoring"]].copy()
    effect = pd.Series(0.0, index=frame.index)
    if residuals is not None:
        for name in ("gas_effect", "session_effect"):
            if name in residuals:
                effect = effect + residuals[name].reindex(frame.index).fillna(0.0)
    frame["recorded"] = np.exp(frame["log_ratio"].astype(float))
    frame["corrected"] = np.exp(frame["log_ratio"].astype(float) - effect)
    frame["explained"] = np.exp(effect)
    return frame[["time", "recorded", "corrected", "censoring", "explained"]].sort_values("time", ignore_index=True)


def path_fan_data(times: pd.Series | pd.DatetimeIndex, mean: np.ndarray, sd: np.ndarray) -> pd.DataFrame:
    """Time, median, p05, p25, p75, p95 of the headroom ratio from mean and standard deviation of its logarithm."""
    mean, sd = np.asarray(mean, dtype=float), np.asarray(sd, dtype=float)
    return pd.DataFrame(
        {
            "time": pd.to_datetime(times),
            "median": np.exp(mean),
            **{f"p{name:02d}": np.exp(mean + z * sd) for name, z in ((5, -Z90), (25, -Z50), (75, Z50), (95, Z90))},
        }
    )


def sensor_path(
    readings: pd.DataFrame,
    fan: pd.DataFrame,
    *,
    as_of: pd.Timestamp,
    margin: float = 0.0,
    warranty_end: pd.Timestamp | None = None,
    rul_days: tuple[float, float, float] | None = None,
    name: str = "",
    sudden: bool = False,
    ax: Axes | None = None,
) -> Axes:
    """Draw one sensor's readings, its fitted path and the fan of where it may go.

    readings: from path_readings_data. fan: from path_fan_data. as_of: the as-of date; to its right all is forecast.
    margin: the end stands at a headroom ratio of 1 + margin. warranty_end: drawn where it is known. rul_days: 5 %, 50
    % and 95 % quantiles of the remaining life, drawn on the line of the end. name: the sensor, for the title. sudden:
    whether its likelier end is one that headroom does not foretell, which the note then says. Returns the Axes.
    """
    ax = style.new_axes(ax, 8.5, 4.2)
    ax.set_yscale("log")
    limit = 1.0 + margin
    ax.fill_between(fan["time"], fan["p05"], fan["p95"], color=style.SKY, alpha=0.35, linewidth=0)
    ax.fill_between(fan["time"], fan["p25"], fan["p75"], color=style.SKY, alpha=0.6, linewidth=0)
    past = fan["time"] <= as_of
    ax.plot(fan["time"][past], fan["median"][past], color=style.BLUE, linewidth=1.8)
    ax.plot(fan["time"][~past], fan["median"][~past], color=style.BLUE, linewidth=1.8, linestyle=(0, (4, 2)))
    _draw_readings(ax, readings)
    ax.axhline(limit, color=style.VERMILION, linewidth=1.2)
    style.upright(ax, as_of, color=style.MUTED, linewidth=0.9, linestyle=(0, (1, 2)))
    right = fan["time"].max()
    if rul_days is not None:
        low, middle, high = (min(as_of + pd.Timedelta(days=float(days)), right) for days in rul_days)
        ax.hlines(limit, low, high, color=style.INK, linewidth=4)
        if as_of + pd.Timedelta(days=float(rul_days[1])) <= right:
            ax.scatter([middle], [limit], s=40, facecolor=style.PAPER, edgecolor=style.INK, zorder=5)
    _frame(ax, readings, fan, limit)
    if warranty_end is not None and not pd.isna(warranty_end) and fan["time"].min() <= warranty_end <= right:
        style.upright(ax, warranty_end, color=style.ORANGE, linewidth=1.4)
        _beside(ax, "warranty ends", warranty_end, 0.98, "top")
    _beside(ax, f"forecast from {as_of:%Y-%m-%d}", as_of, 0.02, "bottom")
    style.write(ax, "below this line: no longer adjustable", fan["time"].min(), limit, offset=(4, -7))
    foretold = " · likelier end: sudden, which headroom does not foretell" if sudden else ""
    style.names(
        ax, y="headroom ratio (log scale)", title=f"Headroom of {name}" if name else "Headroom",
        note="● net of the gas · ○ as recorded · inner band: 5 chances in 10 · outer: 9 in 10 · bar: end of life, 9 in 10"
        + foretold,
    )  # fmt: skip
    return ax


def _beside(ax: Axes, text: str, when: pd.Timestamp, height: float, va: str) -> None:
    """A label at an upright line, on the side where it has room."""
    from matplotlib.dates import date2num

    first, last = ax.get_xlim()
    left = (date2num(when) - first) / (last - first) > 1 - len(text) * style.SMALL * 0.6 / 72 / (style.width_of(ax) * 0.8)
    style.write(
        ax, text, when, height, coordinates=ax.get_xaxis_transform(), va=va, ha="right" if left else "left",
        offset=(-4 if left else 4, 0),
    )  # fmt: skip


def _draw_readings(ax: Axes, readings: pd.DataFrame) -> None:
    """Recorded (open) and corrected (filled) readings with a line between them; arrows for readings known as a bound
    only."""
    seen = readings[readings["censoring"] == 0]
    ax.vlines(seen["time"], seen["recorded"], seen["corrected"], color=style.ORANGE, linewidth=1.0, zorder=3)
    ax.scatter(seen["time"], seen["recorded"], s=20, facecolor=style.PAPER, edgecolor=style.ORANGE, linewidth=1.0, zorder=3)
    ax.scatter(seen["time"], seen["corrected"], s=16, color=style.INK, zorder=4)
    for sign, marker in ((1, "^"), (-1, "v")):
        bound = readings[readings["censoring"] == sign]
        ax.scatter(bound["time"], bound["recorded"], s=30, marker=marker, facecolor="none", edgecolor=style.INK, zorder=4)


def _frame(ax: Axes, readings: pd.DataFrame, fan: pd.DataFrame, limit: float) -> None:
    """Limits and plain tick labels of the logarithmic axis."""
    values = np.concatenate([readings["recorded"], readings["corrected"], fan["median"], [limit]])
    low, high = max(0.35, float(np.nanmin(values)) * 0.9), float(np.nanmax(values)) * 1.1
    low = min(low, limit * 0.82)
    ticks = [tick for tick in RATIO_TICKS if low <= tick <= high]
    while len(ticks) > 8:
        ticks = [tick for k, tick in enumerate(ticks) if k % 2 == 0 or tick == 1]
    ax.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.set_yticks([], minor=True)
    ax.set(ylim=(low, high), xlim=(fan["time"].min(), fan["time"].max()))
    style.dates(ax)
    style.grid(ax, "x")
