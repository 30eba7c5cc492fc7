"""How fast the lots age, each with its interval."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from sensorhealth.present import forest, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FALSE_DISCOVERY = 0.05


def lots_data(table: pd.DataFrame, *, max_rows: int = 40, false_discovery: float = FALSE_DISCOVERY) -> pd.DataFrame:
    """The lots to draw: lot, kind, sensors, loss, low, high (ln ratio lost a year), ratio_to_rest, q_value, marker,
    remark.

    table: the lots table. Loss is -ageing_per_year, so that faster ageing is the larger number; kind is technology
    and gas. Where there are more than max_rows lots, those with the smallest q values are kept. Sorted by kind and
    loss.
    """
    frame = table.loc[table["ageing_per_year"].notna()].copy()
    frame["kind"] = frame["technology"].astype(str) + ", " + frame["gas"].astype(str)
    frame["loss"] = -frame["ageing_per_year"].astype(float)
    frame[["low", "high"]] = -frame[["high", "low"]].astype(float).to_numpy()
    proven = frame["q_value"].astype(float) < false_discovery
    if "verdict" in frame:
        proven = frame["verdict"].isin(["worse", "better"])
    frame["marker"] = proven.map({True: "D", False: ""})
    frame["remark"] = [f"{r:.1f} times the others" if r > 0 else "apart from the others" for r in frame["ratio_to_rest"]]
    if len(frame) > max_rows:
        frame = frame.sort_values("q_value", kind="stable").head(max_rows)
    kept = ["lot", "kind", "sensors", "loss", "low", "high", "ratio_to_rest", "q_value", "marker", "remark"]
    frame = frame.sort_values(["kind", "loss", "lot"], ascending=[True, False, True], kind="stable")
    return frame[kept].reset_index(drop=True)


def lots(table: pd.DataFrame, *, by: str = "lot", max_rows: int = 40, ax: Axes | None = None) -> Axes:
    """Draw each lot's ageing rate with its 90 % interval, lots of one kind together.

    A lot that differs from the others of its kind at a false-discovery rate of 0.05 is a filled diamond with its
    ratio in words; the others are open circles. table, max_rows: see lots_data. by: the column whose values
    are compared, for the title. Returns the Axes.
    """
    data = lots_data(table, max_rows=max_rows)
    labels = [f"{lot} ({n:.0f})" for lot, n in zip(data["lot"], data["sensors"])]
    ax = forest.rows(data, heading="kind", value="loss", marker="marker", labels=labels, empty=f"No {by} can be compared.", ax=ax)
    hidden = int(table["ageing_per_year"].notna().sum()) - len(data)
    more = f" · {hidden} more, none proven apart, not drawn" if hidden else ""
    style.names(
        ax, x="loss of headroom (ln ratio a year)", title=f"Ageing by {by} (number of sensors)",
        note=f"line: 90 % interval · ◆ differs from its kind · ○ no proven difference{more}",
    )  # fmt: skip
    return ax
