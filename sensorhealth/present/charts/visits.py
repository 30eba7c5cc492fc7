"""The calendar of visits: which site, when, how many swaps and tests."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAX_SITES = 18
MOST_VISITS_IN_ROW = 26


def visits_data(table: pd.DataFrame, *, max_sites: int = MAX_SITES) -> pd.DataFrame:
    """One row per site and date (or month, where a site has too many dates to tell apart): swaps, tests, visits.

    table: the visits table. Visits at which nothing is to be done are left out. Sites beyond the max_sites busiest are
    taken together as "other sites".
    """
    frame = table[["site", "visit", "swaps", "tests"]].copy()
    frame["visit"] = pd.to_datetime(frame["visit"])
    frame[["swaps", "tests"]] = frame[["swaps", "tests"]].fillna(0).astype(int)
    frame = frame[(frame["swaps"] + frame["tests"]) > 0]
    frame["site"] = frame["site"].fillna("").replace("", "site unknown")
    work = (frame["swaps"] + frame["tests"]).groupby(frame["site"]).sum().sort_values(ascending=False, kind="stable")
    if len(work) > max_sites:
        frame["site"] = frame["site"].where(frame["site"].isin(work.index[: max_sites - 1]), "other sites")
    if (frame.groupby("site")["visit"].nunique() > MOST_VISITS_IN_ROW).any():
        frame["visit"] = frame["visit"].dt.to_period("M").dt.to_timestamp()
    frame["visits"] = 1
    return frame.groupby(["site", "visit"], as_index=False).sum().sort_values(["site", "visit"], ignore_index=True)


def visits(table: pd.DataFrame, *, as_of: pd.Timestamp | None = None, ax: Axes | None = None) -> Axes:
    """Draw visits as squares (with swaps, their number beside them) and circles (tests only), one row per site.

    table: the visits table. as_of: where the calendar begins; the first visit where not given. Returns the Axes.
    """
    data = visits_data(table)
    sites = list(dict.fromkeys(data["site"]))
    ax = style.new_axes(ax, 8.5, 1.5 + 0.34 * max(1, len(sites)))
    if data.empty:
        return style.nothing(ax, "No visit has anything to do.")
    row = data["site"].map({site: k for k, site in enumerate(sites)}).to_numpy()
    swapping = (data["swaps"] > 0).to_numpy()
    size = 30 + 10 * np.sqrt((data["swaps"] + data["tests"]).to_numpy(dtype=float))
    when = data["visit"].to_numpy()
    ax.scatter(when[swapping], row[swapping], s=size[swapping], marker="s", color=style.BLUE, zorder=3)
    ax.scatter(when[~swapping], row[~swapping], s=size[~swapping], facecolor=style.PAPER, edgecolor=style.BLUE, zorder=3)
    busy = data["swaps"].quantile(0.8)
    crowded = len(data) > 60 * style.width_of(ax) / 8.5
    for at, y, swaps, tests in zip(data["visit"], row, data["swaps"], data["tests"]):
        if crowded and (swaps < busy or not swaps):
            continue
        text = f"{swaps}" if crowded or not tests else f"{swaps} + {tests}" if swaps else f"+ {tests}"
        style.write(ax, text, at, y, offset=(0, 9), ha="center", va="bottom", fontsize=7)
    ax.set_yticks(range(len(sites)), [wording.short(site) for site in sites], **style.PLAIN)
    ax.set_ylim(len(sites) - 0.4, -0.8)
    first = min(as_of, data["visit"].min()) if as_of is not None else data["visit"].min()
    room = (data["visit"].max() - first) * 0.04 + pd.Timedelta(days=4)
    ax.set_xlim(first - room, data["visit"].max() + room)  # type: ignore[arg-type]
    style.grid(ax, "x")
    style.dates(ax)
    total = f"{wording.count(int(data['swaps'].sum()), 'swap')}, {wording.count(int(data['tests'].sum()), 'gas test')}"
    numbers = "number of swaps of the busiest" if crowded else "numbers: swaps + gas tests"
    style.names(ax, title="Visits", note=f"■ with swaps · ○ gas tests only · {numbers} · {total} in all")
    return ax
