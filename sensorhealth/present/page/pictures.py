"""Charts as pictures of the page: drawn once for wide and once for narrow screens, in colours that follow light and
dark."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import pandas as pd

from sensorhealth.present import gallery, style
from sensorhealth.present.charts.cylinders import cylinders_data
from sensorhealth.present.charts.lots import lots_data
from sensorhealth.present.charts.visits import MAX_SITES
from sensorhealth.present.page.html import element

if TYPE_CHECKING:
    from matplotlib.axes import Axes

VARIABLES = {
    style.INK: "--ink", style.MUTED: "--muted", style.GRID: "--grid", style.PAPER: "--paper", style.BLUE: "--blue",
    style.SKY: "--sky", style.ORANGE: "--orange", style.VERMILION: "--vermilion", style.PURPLE: "--purple",
}  # fmt: skip
WIDE, NARROW = 9.2, 4.2
ROWS = 30


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
    """The page's pictures by section, but that of the track record."""
    found = {
        "runway": picture(
            "runway", "Remaining life of all sensors with intervals, soonest end first; see the list of sensors.",
            lambda ax: gallery.fleet_runway(analysis, ax=ax), (5.2, 5.2),
        ),
        "budget": picture(
            "budget", "Expected cost by month with its band; see the table below.",
            lambda ax: gallery.budget(analysis, ax=ax), (3.8, 3.6),
        ),
    }  # fmt: skip
    if len(analysis.lots_table):
        tall = _rows_height(lots_data(analysis.lots_table, max_rows=ROWS), "kind")
        found["lots"] = picture(
            "lots", "Ageing rate of each lot with its interval; see the table below.",
            lambda ax: gallery.lot_rates(analysis, max_rows=ROWS, ax=ax), (tall, tall),
        )  # fmt: skip
    if len(analysis.cylinders):
        tall = _rows_height(cylinders_data(analysis.cylinders, max_rows=ROWS), "gas")
        found["cylinders"] = picture(
            "cylinders", "True concentration over label of each cylinder with its interval; see the table below.",
            lambda ax: gallery.cylinder_bias(analysis, max_rows=ROWS, ax=ax), (tall, tall),
        )  # fmt: skip
    if len(analysis.visits):
        tall = 1.7 + 0.34 * min(MAX_SITES, analysis.visits["site"].nunique())
        found["visits"] = picture(
            "visits", "Visits by site and date with their swaps and tests; see the table below.",
            lambda ax: gallery.visit_calendar(analysis, ax=ax), (tall, tall),
        )  # fmt: skip
    return found


def of_track_record(track_record: Any) -> dict[str, str]:
    """The picture of the track record by its section; none where there is no track record."""
    if track_record is None:
        return {}
    return {
        "track-record": picture(
            "track-record", "Forecast chances against the shares that came true; see the table below.",
            lambda ax: gallery.chance_and_outcome(track_record, ax=ax), (4.6, 4.4),
        )
    }  # fmt: skip


def _rows_height(data: pd.DataFrame, heading: str) -> float:
    return 2.0 + 0.2 * (len(data) + 1.3 * data[heading].nunique())
