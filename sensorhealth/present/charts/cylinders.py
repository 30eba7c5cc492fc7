"""What the cylinders really held, as all sensors read on them say together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sensorhealth.present import forest, style, wording

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKERS = {"weak": "v", "strong": "^"}


def cylinders_data(table: pd.DataFrame, *, max_rows: int = 40) -> pd.DataFrame:
    """The cylinders to draw: cylinder_id, gas, ratio, low, high (true concentration / label), sensors, flagged,
    marker, remark.

    table: the cylinder_effects table. Flagged cylinders come first, then those farthest from their label in terms of
    their interval; at most max_rows, but for twice as many where so many are flagged. Sorted by gas and ratio.
    """
    frame = table.loc[table["bias"].notna()].copy()
    for name, source in (("ratio", "bias"), ("low", "low"), ("high", "high")):
        frame[name] = np.exp(frame[source].astype(float))
    frame["flagged"] = frame["flagged"].fillna(False).astype(bool)
    direction = frame["direction"].where(frame["flagged"], "")
    frame["marker"] = direction.map(MARKERS).fillna("").where(~frame["flagged"] | direction.isin(list(MARKERS)), "D")
    frame["remark"] = [f"{way}, {wording.count(n, 'sensor')}" for way, n in zip(direction, frame["sensors"])]
    frame["side"] = direction.map({"weak": "left"}).fillna("right")
    width = (np.log(frame["high"]) - np.log(frame["low"])).clip(lower=1e-9)
    frame["order"] = -(np.log(frame["ratio"]).abs() / width) - 1e6 * frame["flagged"]
    rows = min(max(max_rows, int(frame["flagged"].sum())), 2 * max_rows)
    frame = frame.sort_values(["order", "cylinder_id"], kind="stable").head(rows)
    kept = ["cylinder_id", "gas", "ratio", "low", "high", "sensors", "flagged", "marker", "remark", "side"]
    return frame.sort_values(["gas", "ratio", "cylinder_id"], kind="stable")[kept].reset_index(drop=True)


def cylinder_effects(table: pd.DataFrame, *, max_rows: int = 40, ax: Axes | None = None) -> Axes:
    """Draw each cylinder's true concentration over its label at its last use, with its 90 % interval.

    A cylinder held to be weak or strong is a filled triangle that points down (weak) or up (strong), with the word
    beside it; the others are open circles. table, max_rows: see cylinders_data. Returns the Axes.
    """
    data = cylinders_data(table, max_rows=max_rows)
    labels = data["cylinder_id"].astype(str).tolist()
    ax = forest.rows(
        data, heading="gas", value="ratio", marker="marker", side="side", labels=labels, empty="No cylinder is recorded.", ax=ax
    )
    if data.empty:
        return ax
    ax.axvline(1, color=style.INK, linewidth=0.9, zorder=1)
    hidden = int(table["bias"].notna().sum()) - len(data)
    beyond = int(table["flagged"].fillna(False).astype(bool).sum() - data["flagged"].sum())
    more = f" · {hidden} more, {beyond or 'none'} of them proven, not drawn" if hidden else ""
    style.names(
        ax, x="true concentration / label (ratio)", title="Cylinders at their last use",
        note=f"line: 90 % interval · ▼ weak, ▲ strong: proven, to be acted on · ○ not proven{more}",
    )  # fmt: skip
    return ax
