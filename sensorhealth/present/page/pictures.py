"""Charts as pictures of the page: drawn once for wide and once for narrow screens, in colours that follow light and
dark."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pandas as pd

from sensorhealth.present import style
from sensorhealth.present.page.html import element

if TYPE_CHECKING:
    from matplotlib.axes import Axes

VARIABLES = {
    style.INK: "--ink", style.MUTED: "--muted", style.GRID: "--grid", style.PAPER: "--paper", style.BLUE: "--blue",
    style.SKY: "--sky", style.ORANGE: "--orange", style.VERMILION: "--vermilion", style.PURPLE: "--purple",
}  # fmt: skip
WIDE, NARROW = 9.2, 4.2


def picture(name: str, describe: str, draw: Callable[[Axes], Axes], heights: tuple[float, float]) -> str:
    """A figure element with the chart that `draw` puts on given Axes, for wide and narrow screens.

    describe: what the picture shows, in words, for those who cannot see it. heights: of both drawings, inches.
    """
    both = ""
    for size, width, height in (("wide", WIDE, heights[0]), ("narrow", NARROW, heights[1])):
        ax = draw(style.new_axes(None, width, height))
        both += element("div", themed(style.svg(ax), f"{name}-{size}"), class_=size, role="img", aria_label=describe)
    return element("figure", both, class_="picture")


def themed(svg: str, name: str) -> str:
    """`svg` with its colours as the page's variables, its identifiers made the page's own, and its size left to the
    page."""
    for colour, variable in VARIABLES.items():
        svg = svg.replace(colour, f"var({variable})")
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', svg)
    svg = re.sub(r'href="#([^"]+)"', rf'href="#{name}-\1"', svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", svg)
    svg = re.sub(r"<metadata>.*?</metadata>\s*", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<!--.*?-->\s*", "", svg, flags=re.DOTALL)
    return re.sub(r'^<svg ([^>]*?)height="[^"]*"([^>]*?)width="[^"]*"', r"<svg aria-hidden='true' \1\2", svg, count=1)


def pictures(analysis: Any) -> dict[str, str]:
    """The page's pictures by section."""
    from sensorhealth.present.charts.budget import budget
    from sensorhealth.present.charts.cylinders import cylinder_effects, cylinders_data
    from sensorhealth.present.charts.lots import lots, lots_data
    from sensorhealth.present.charts.runway import runway

    visits = None if analysis.visits is None else pd.to_datetime(analysis.visits["visit"])
    found = {
        "runway": picture(
            "runway", "Remaining life of all sensors with intervals, soonest end first; see the list of sensors.",
            lambda ax: runway(analysis.forecast, analysis.fleet.sensors, visits, ax=ax), (5.2, 5.2),
        ),
        "budget": picture(
            "budget", "Expected cost by month with its band; see the table below.",
            lambda ax: budget(analysis.budget, currency=analysis.policy.currency, ax=ax), (3.8, 3.6),
        ),
    }  # fmt: skip
    if analysis.lots_table is not None and len(analysis.lots_table):
        tall = _rows_height(lots_data(analysis.lots_table, max_rows=30), "kind")
        found["lots"] = picture(
            "lots", "Ageing rate of each lot with its interval; see the table below.",
            lambda ax: lots(analysis.lots_table, max_rows=30, ax=ax), (tall, tall),
        )  # fmt: skip
    if analysis.cylinders is not None and len(analysis.cylinders):
        tall = _rows_height(cylinders_data(analysis.cylinders, max_rows=30), "gas")
        found["cylinders"] = picture(
            "cylinders", "True concentration over label of each cylinder with its interval; see the table below.",
            lambda ax: cylinder_effects(analysis.cylinders, max_rows=30, ax=ax), (tall, tall),
        )  # fmt: skip
    return found


def _rows_height(data: pd.DataFrame, heading: str) -> float:
    return 2.0 + 0.2 * (len(data) + 1.3 * data[heading].nunique())
