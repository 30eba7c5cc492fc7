"""Sudden ends: the share that has none by each age, and the rate at which they come, fitted against counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sensorhealth.life import SuddenLife

MIN_EXPOSURE_YEARS = 1.0
Z90 = 1.6448536269514722


def hazard_data(sudden: SuddenLife, lives: pd.DataFrame, group: str, *, band_years: float = 0.5) -> pd.DataFrame:
    """Sudden ends by band of age: what was counted and what the fit says.

    sudden: a fitted SuddenLife. lives: the lives table. group: a technology or a stratum. band_years: width of a band.
    Returns lower, upper (years), deaths, exposure (sensor-years), rate, low, high (per sensor-year; exact Poisson
    limits, 90 %), fitted_rate (mean over the band), survival, survival_low, survival_high (90 %) and fitted_survival
    (at the band's upper end). Bands in which less than one sensor-year was seen end the table. The limits of the
    survival are those of the cumulated rate H with variance sum of deaths (width / exposure)^2, on the logarithm of H:
    Klein and Moeschberger (2003), Survival Analysis, 2nd ed., 4.3 (from memory).
    """
    from sensorhealth.life.nonparametric import hazard_table

    data = sudden.data(lives, group)
    oldest = float(np.max(data.lower, initial=band_years))
    edges = np.arange(0.0, oldest + band_years, band_years)
    table = hazard_table(data, edges)
    seen = (table["exposure"] >= MIN_EXPOSURE_YEARS).to_numpy()
    table = table[: int(np.flatnonzero(seen).max(initial=-1)) + 1]
    table["survival"] = np.exp(-(table["rate"].fillna(0) * band_years).cumsum())
    table["survival_low"], table["survival_high"] = _survival_limits(table, band_years)
    fitted = sudden.survival(group, np.append(0.0, table["upper"]) * 365.25)
    table["fitted_survival"] = fitted[1:]
    table["fitted_rate"] = -np.diff(np.log(np.maximum(fitted, 1e-300))) / band_years
    return table


def _survival_limits(table: pd.DataFrame, band_years: float) -> tuple[np.ndarray, np.ndarray]:
    """90 % limits of the counted survival at the ends of the bands."""
    cumulated = -np.log(table["survival"].to_numpy(dtype=float))
    exposure = np.maximum(table["exposure"].to_numpy(dtype=float), 1e-12)
    error = np.sqrt(np.cumsum(table["deaths"].to_numpy(dtype=float) * (band_years / exposure) ** 2))
    spread = np.exp(Z90 * np.divide(error, cumulated, out=np.zeros_like(error), where=cumulated > 0))
    return np.exp(-cumulated * spread), np.exp(-cumulated / spread)


def hazard(data: pd.DataFrame, *, name: str = "", ax: Axes | None = None) -> Axes:
    """Draw the rate of sudden ends by age: bars' limits from the counts, a line from the fit. data: from
    hazard_data."""
    ax = style.new_axes(ax, 8.0, 3.4)
    if data.empty:
        return style.nothing(ax, "No sensor was seen for a year: there is no rate to show.")
    middle = (data["lower"] + data["upper"]) / 2
    ax.vlines(middle, data["low"], data["high"], color=style.SKY, linewidth=5)
    ax.scatter(middle, data["rate"], s=26, facecolor=style.PAPER, edgecolor=style.INK, zorder=3)
    steps = np.append(data["fitted_rate"], data["fitted_rate"].iloc[-1])
    edges = np.append(data["lower"], data["upper"].iloc[-1])
    ax.step(edges, steps, where="post", color=style.VERMILION, linewidth=1.6)
    style.write(ax, "fitted", edges[-1], steps[-1], color=style.VERMILION)
    top = float(max(data["rate"].max() * 2.5, data["fitted_rate"].max() * 1.6, 1e-3))
    for x, deaths in zip(middle, data["deaths"]):
        style.write(ax, f"{deaths:.0f}", x, -0.06 * top, offset=(0, 0), ha="center", color=style.MUTED)
    ax.set(xlim=(0, edges[-1]), ylim=(-0.12 * top, top))
    ax.axhline(0, color=style.MUTED, linewidth=0.8)
    style.grid(ax, "y")
    style.names(
        ax, x="age (years)", y="sudden ends (per sensor-year)", title=f"Rate of sudden ends{_of(name)}",
        note="○ counted · bar: its 90 % limits, cut at the top where longer · number: ends at that age",
    )  # fmt: skip
    return ax


def survival(data: pd.DataFrame, *, name: str = "", ax: Axes | None = None) -> Axes:
    """Draw the share of sensors without a sudden end by age: steps as counted, a line as fitted.

    data: from hazard_data. Headroom that is used up is not in it: those sensors leave the count when they leave
    service.
    """
    ax = style.new_axes(ax, 8.0, 3.4)
    if data.empty:
        return style.nothing(ax, "No sensor was seen for a year: there is no survival to show.")
    age = np.append(0.0, data["upper"])
    counted, fitted = np.append(1.0, data["survival"]), np.append(1.0, data["fitted_survival"])
    least, most = np.append(1.0, data["survival_low"]), np.append(1.0, data["survival_high"])
    ax.fill_between(age, least, most, color=style.SKY, alpha=0.35, linewidth=0)
    ax.plot(age, counted, color=style.INK, linewidth=1.2, marker="o", markersize=4, markerfacecolor=style.PAPER)
    ax.plot(age, fitted, color=style.VERMILION, linewidth=2, linestyle=(0, (5, 2)))
    apart = 6 if fitted[-1] >= counted[-1] else -6
    style.write(ax, "fitted", age[-1], fitted[-1], offset=(4, apart), color=style.VERMILION)
    style.write(ax, "counted", age[-1], counted[-1], offset=(4, -apart))
    low = min(float(fitted.min()), float(least.min()))
    ax.set(xlim=(0, age[-1] * 1.1), ylim=(0 if low < 0.5 else max(0.0, low - 0.15), 1.02))
    style.grid(ax, "both")
    deaths, exposure = round(data["deaths"].sum()), wording.number(data["exposure"].sum())
    style.names(
        ax, x="age (years)", y="share without a sudden end", title=f"Sudden ends{_of(name)}",
        note=f"{wording.count(deaths, 'sudden end')} in {exposure} sensor-years · band: 90 % limits of the count",
    )  # fmt: skip
    return ax


def _of(name: str) -> str:
    return f", {name}" if name else ""
