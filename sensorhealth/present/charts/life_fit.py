"""Does the fitted law of sudden ends fit? The probability plot, and the ends in the time of the fit (Cox and Snell)."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sensorhealth.life import SuddenLife
    from sensorhealth.life.families import LifeFamily
    from sensorhealth.life.mixture import HazardMixture

LEVEL = 0.90
CHANCES = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.8, 0.9, 0.95, 0.99, 0.999)
AGES = (0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0)
POINTS = 120
LAWS = {"weibull": "the Weibull law", "lognormal": "the lognormal law"}
APART = 0.055  # of the axis, between two numbers at it


class LifeFit(NamedTuple):
    """points: age (years) and probability of an end by it as counted; line: the same as fitted, with low and high (90 %).

    residuals: residual, survival and expected of `life.fit_checks.cox_snell`. family: likeliest law, on whose paper to draw.
    deaths: how many ends there are.
    """

    points: pd.DataFrame
    line: pd.DataFrame
    residuals: pd.DataFrame
    family: LifeFamily | None
    deaths: int


def life_fit_data(sudden: SuddenLife, lives: pd.DataFrame, group: str) -> LifeFit:
    """Sudden ends as counted (Kaplan-Meier, or Turnbull where they lie between two tests) beside what the fit says.

    sudden: a fitted SuddenLife. lives: the lives table. group: a technology or a stratum. The line is the fit's mean over its
    families and draws of their parameters, low and high are its 90 % limits. Without an end the tables are empty.
    """
    from sensorhealth.life.families import life_families
    from sensorhealth.life.fit_checks import cox_snell, probability_plot

    data, fitted = sudden.data(lives, group), sudden.hazard_of(group)
    family = life_families()[fitted.likeliest]
    if not data.deaths:
        none = pd.DataFrame(columns=["age", "probability", "low", "high"], dtype=float)
        nothing = pd.DataFrame(columns=["residual", "survival", "expected"], dtype=float)
        return LifeFit(none[["age", "probability"]], none, nothing, None, 0)
    points = probability_plot(data, family)[["age", "probability"]]
    last = float(max(points["age"].max(), np.max(data.lower)))
    ages = np.geomspace(max(0.7 * points["age"].min(), 1e-3), last, POINTS)
    line = pd.DataFrame({"age": ages, "probability": 1.0 - fitted.survival(ages), **_limits(fitted, ages)})
    return LifeFit(points, line, cox_snell(data, fitted.cumulative_hazard), family, int(data.deaths))


def _limits(fitted: HazardMixture, ages: np.ndarray) -> dict[str, np.ndarray]:
    """Limits of the chance of an end by each age, over the draws of families and parameters."""
    chances = np.concatenate([family.cdf(ages[None, :], theta[:, None, :]) for family, theta, _ in fitted.draws])
    weight = np.concatenate([share for _, _, share in fitted.draws])
    order = np.argsort(chances, axis=0)
    summed = np.cumsum(weight[order], axis=0) / weight.sum()
    sorted_chances = np.take_along_axis(chances, order, axis=0)
    tail = 0.5 * (1.0 - LEVEL)
    at = {"low": (summed < tail).sum(axis=0), "high": (summed < 1.0 - tail).sum(axis=0)}
    return {name: sorted_chances[np.minimum(rows, weight.size - 1), np.arange(ages.size)] for name, rows in at.items()}


def probability_paper(data: LifeFit, *, name: str = "", ax: Axes | None = None) -> Axes:
    """Draw the probability plot, on the paper where the likeliest law is a straight line. data: from life_fit_data."""
    ax = style.new_axes(ax, 6.4, 4.6)
    if data.family is None:
        return style.nothing(ax, "No sudden end is on record: there is no law to check.")
    counted = data.points[data.points["probability"].between(0.0, 1.0, inclusive="neither")]
    x, y = _placed(data.family, data.line["age"], data.line["probability"])
    least, most = (_placed(data.family, data.line["age"], data.line[side])[1] for side in ("low", "high"))
    at = _placed(data.family, counted["age"], counted["probability"])
    ax.fill_between(x, least, most, color=style.SKY, alpha=0.35, linewidth=0)
    ax.plot(x, y, color=style.VERMILION, linewidth=1.8)
    ax.scatter(*at, s=30, facecolor=style.PAPER, edgecolor=style.INK, zorder=3)
    style.write(ax, "fitted", x[-1], y[-1], color=style.VERMILION)
    _bound(ax, data.family, x, np.concatenate([y, at[1]]))
    style.grid(ax, "both")
    style.names(
        ax, x="age (years)", y="ended suddenly by then (%)",
        title=f"Probability plot of sudden ends{', ' + name if name else ''}",
        note=f"{wording.count(data.deaths, 'sudden end')} · straight is {LAWS.get(data.family.name, 'a constant rate')} · "
        "○ counted, without a law · band: 90 % of what the fit holds possible",
    )  # fmt: skip
    return ax


def _placed(family: LifeFamily, age: ArrayLike, probability: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates on the paper of the family."""
    share = np.clip(np.asarray(probability, dtype=float), 1e-6, 1.0 - 1e-9)
    return family.paper(age, -np.log1p(-share))


def _bound(ax: Axes, family: LifeFamily, x: np.ndarray, y: np.ndarray) -> None:
    """Show the paper where there is something on it, with ages and percentages at its sides."""
    pad = 0.05 * float(np.ptp(y))
    ax.set(xlim=(x[0], x[-1] + 0.03 * np.ptp(x)), ylim=(y.min() - pad, y.max() + pad))
    across, up = _placed(family, AGES, np.full(len(AGES), 0.5))[0], _placed(family, np.ones(len(CHANCES)), CHANCES)[1]
    ages, chances = _spread(across, ax.get_xlim()), _spread(up, ax.get_ylim())
    ax.set_xticks(across[ages], labels=[f"{AGES[place]:g}" for place in ages])
    ax.set_yticks(up[chances], labels=[f"{100 * CHANCES[place]:g}" for place in chances])
    ax.minorticks_off()


def _spread(places: np.ndarray, bounds: tuple[float, float]) -> list[int]:
    """Which of rising `places` have room for a number, the last first."""
    kept: list[int] = []
    for at in np.flatnonzero((places >= bounds[0]) & (places <= bounds[1]))[::-1]:
        if not kept or places[kept[-1]] - places[at] >= APART * (bounds[1] - bounds[0]):
            kept.append(int(at))
    return kept[::-1]


def residuals(data: LifeFit, *, name: str = "", ax: Axes | None = None) -> Axes:
    """Draw the ends in the time of the fit (Cox-Snell residuals): on the diagonal where the law fits. data: from
    life_fit_data."""
    ax = style.new_axes(ax, 4.8, 4.6)
    there = data.residuals[data.residuals["survival"] > 0]
    if there.empty:
        return style.nothing(ax, "No sudden end is on record: there is no law to check.")
    x, y = there["residual"].to_numpy(), -np.log(there["survival"].to_numpy())
    most = 1.08 * float(max(x.max(), y.max()))
    ax.plot([0, most], [0, most], color=style.INK, linewidth=0.9)
    ax.scatter(x, y, s=30, facecolor=style.PAPER, edgecolor=style.BLUE, zorder=3)
    ax.set(xlim=(0, most), ylim=(0, most), aspect="equal", anchor="W")
    style.grid(ax, "both")
    style.names(
        ax, x="ends that the fit expects for one sensor", y="ends that were counted",
        title=f"Sudden ends against the fit{', ' + name if name else ''}",
        note=f"{wording.count(data.deaths, 'sudden end')} · diagonal: as fitted · above: more than fitted by then",
    )  # fmt: skip
    return ax
