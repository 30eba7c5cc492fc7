"""How every picture of the package looks: colours, lines, letters, and figures that are the same bytes each time.

Colours are those of Okabe & Ito (2008), "Color Universal Design", which people with the common kinds of colour
blindness can tell apart; they are used in pairs that also differ in lightness, and every meaning is carried a second
time by shape, line or word. Figures are made with matplotlib's object-oriented interface only: no global state, safe
in threads.
"""

from __future__ import annotations

import io
import textwrap
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from sensorhealth.present.wording import clean

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "#1f2a33"
MUTED = "#5b6770"
GRID = "#d5dbe0"
PAPER = "#ffffff"
BLUE = "#0072b2"
SKY = "#56b4e9"
ORANGE = "#e69f00"
VERMILION = "#d55e00"
PURPLE = "#cc79a7"

FONT = "DejaVu Sans"
SMALL, NORMAL, LARGE = 8.0, 9.5, 11.0
PLAIN: dict[str, Any] = {"parse_math": False}

_SAVING = {"svg.hashsalt": "sensorhealth", "svg.fonttype": "none", "path.simplify": True}
_lock = threading.Lock()


@contextmanager
def _saving() -> Iterator[None]:
    """One figure at a time, with settings for equal bytes; a letter that the font lacks is left to the reader's
    browser."""
    import matplotlib

    with _lock, matplotlib.rc_context(_SAVING), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def new_axes(ax: Axes | None, width: float = 8.0, height: float = 4.0) -> Axes:
    """`ax`, or the Axes of a new Figure of `width` x `height` inches, dressed in the house style.

    Lines of the frame that carry nothing are taken away, ticks point outward, letters are dark grey on no background.
    """
    if ax is None:
        from matplotlib.figure import Figure

        figure = Figure(figsize=(width, height), layout="constrained", facecolor="none")
        ax = figure.add_subplot()
    ax.set_facecolor("none")
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set(color=MUTED, linewidth=0.8)
    ax.tick_params(colors=INK, labelsize=SMALL, length=3, width=0.8, labelfontfamily=FONT)
    ax.set_axisbelow(True)
    return ax


def grid(ax: Axes, axis: str) -> None:
    """Faint lines across `axis` ("x", "y" or "both")."""
    ax.grid(True, axis=axis, color=GRID, linewidth=0.6)  # type: ignore[arg-type]


def names(ax: Axes, *, x: str = "", y: str = "", title: str = "", note: str = "") -> None:
    """Axis names (with units), a title that says what is shown and a note beneath it that says how."""
    if x:
        ax.set_xlabel(x, color=INK, fontsize=NORMAL, fontfamily=FONT)
    if y:
        ax.set_ylabel(y, color=INK, fontsize=NORMAL, fontfamily=FONT)
    lines = _lines(note.split(" · "), max(24, int(width_of(ax) * 72 / (SMALL * 0.58)) - 9 - _letters_at_the_side(ax)))
    if title:
        ax.set_title(clean(title), loc="left", color=INK, fontsize=LARGE, fontfamily=FONT, pad=8 + 12 * len(lines), **PLAIN)
    if lines:
        ax.annotate(
            "\n".join(lines), (0, 1), (0, 7), xycoords="axes fraction", textcoords="offset points",
            color=MUTED, fontsize=SMALL, fontfamily=FONT, va="bottom",
        )  # fmt: skip


def _letters_at_the_side(ax: Axes) -> int:
    """Letters of the longest name beside the rows of `ax`, beyond those that numbers would take."""
    from matplotlib.ticker import FixedLocator

    if not isinstance(ax.yaxis.get_major_locator(), FixedLocator):
        return 0
    return max([0, *(len(label.get_text()) - 6 for label in ax.get_yticklabels())])


def _lines(parts: list[str], most: int) -> list[str]:
    """`parts` side by side with a dot between them, in lines of at most `most` letters; a part is broken only where it
    must be."""
    lines: list[str] = []
    for part in filter(None, parts):
        if lines and len(lines[-1]) + 3 + len(part) <= most:
            lines[-1] += f" · {part}"
        else:
            lines += textwrap.wrap(part, most)
    return lines


def upright(ax: Axes, when: datetime, **how: Any) -> None:
    """A line from bottom to top at a date."""
    from matplotlib.dates import date2num

    ax.axvline(float(date2num(when)), **how)


def write(ax: Axes, text: str, x: Any, y: float, **how: Any) -> None:
    """A direct label at a data point (x a number or a date); `how` overrides size, colour, alignment and offset
    (points)."""
    if isinstance(x, datetime):
        from matplotlib.dates import date2num

        x = date2num(x)
    offset = how.pop("offset", (4, 0))
    coordinates = how.pop("coordinates", "data")
    settings = {"color": INK, "fontsize": SMALL, "fontfamily": FONT, "va": "center", "ha": "left", **PLAIN, **how}
    ax.annotate(clean(text), (x, y), offset, xycoords=coordinates, textcoords="offset points", annotation_clip=False, **settings)


def width_of(ax: Axes) -> float:
    """The width that is there for `ax`, with its labels, inches."""
    place = ax.get_subplotspec()
    share = place.get_position(figure_of(ax)).width / 0.775 if place else ax.get_position().width
    return float(figure_of(ax).get_figwidth() * min(1.0, share))


def figure_of(ax: Axes) -> Figure:
    """The Figure that `ax` stands in."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    return figure


def svg(ax: Axes) -> str:
    """The figure of `ax` as an SVG element: no date, fixed identifiers, letters as text. Same input, same bytes."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = io.StringIO()
    with _saving():  # the canvas itself, as savefig draws everything twice
        FigureCanvasSVG(figure_of(ax)).print_svg(out, metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def png(ax: Axes, dpi: int = 110, background: str = PAPER) -> bytes:
    """The figure of `ax` as a PNG on `background`, without software or date in it."""
    out = io.BytesIO()
    with _saving():
        figure_of(ax).savefig(out, format="png", dpi=dpi, facecolor=background, metadata={"Software": None})
    return out.getvalue()


def nothing(ax: Axes, text: str) -> Axes:
    """An empty picture that says why it is empty."""
    write(ax, text, 0.5, 0.5, coordinates="axes fraction", ha="center", fontsize=NORMAL)
    ax.set_axis_off()
    return ax


def calendar(first: datetime, last: datetime, most: int) -> tuple[pd.DatetimeIndex, str]:
    """At most `most` even dates from `first` to `last`, and their ISO 8601 form: days, months or years as the span has
    it."""
    days = (last - first).days + 1
    for step in (1, 2, 7, 14):
        if days / step <= most:
            return pd.date_range(first, last, freq=f"{step}D", normalize=True), "%Y-%m-%d"
    for step in (1, 2, 3, 6):
        months = pd.date_range(first, last, freq="MS", normalize=True)
        ticks = months[(months.month - 1) % step == 0]
        if len(ticks) <= most:
            return ticks, "%Y-%m"
    years = pd.date_range(first, last, freq="YS", normalize=True)
    return years[:: -(-len(years) // most)], "%Y"


def dates(ax: Axes) -> None:
    """ISO 8601 tick labels on a time axis, as many as fit side by side; call it when the axis has its limits."""
    from matplotlib.dates import date2num, num2date

    first, last = (pd.Timestamp(num2date(end)).tz_localize(None) for end in ax.get_xlim())
    ticks, form = calendar(first, last, date_labels(ax))
    ticks = ticks[ticks >= first]
    ax.set_xticks(date2num(ticks.to_pydatetime()), [f"{tick:{form}}" for tick in ticks])


def date_labels(ax: Axes) -> int:
    """How many dates fit side by side under `ax`."""
    return max(2, int(width_of(ax) * 0.85 / (9.5 * SMALL * 0.6 / 72)))
