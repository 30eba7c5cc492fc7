"""Each chart still looks as it did when a person last looked at it.

Baselines lie beside this file. After a wanted change: SENSORHEALTH_NEW_BASELINES=1 writes them anew; look at them
before they are committed. Pictures are compared small and in grey, so that letters of another font release do not
matter.
"""

from __future__ import annotations

import io
import os
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.image import imread

sys.path.insert(0, str(Path(__file__).resolve().parent))
from chart_draws import EVERY, Draw

from sensorhealth.present import style

BASELINES = Path(__file__).parent / "baseline"
WHOLE, MARKS = 8, 4  # sides of the blocks, pixels
LARGEST, MEAN = 0.35, 0.012
LARGEST_OF_MARKS = 0.035


def grey_blocks(png: bytes, side: int) -> np.ndarray:
    """Mean grey (0..1) of blocks of side x side pixels."""
    pixels = imread(io.BytesIO(png))[..., :3].mean(axis=2)
    rows, columns = (length // side * side for length in pixels.shape)
    return pixels[:rows, :columns].reshape(rows // side, side, columns // side, side).mean(axis=(1, 3))


def only_marks(ax: Axes) -> bytes:
    """The picture without any letter, the axes at a fixed place: nothing in it depends on a font."""
    style.figure_of(ax).set_layout_engine("none")
    ax.set_position((0.02, 0.02, 0.96, 0.96))
    for part in (ax, *ax.child_axes):
        part.tick_params(labelbottom=False, labelleft=False)
        for words in (part.title, part.xaxis.label, part.yaxis.label, *part.texts):
            words.set_visible(False)
        part.set_title("", loc="left")
    return style.png(ax, dpi=80)


def difference(one: bytes, other: bytes, side: int) -> np.ndarray:
    new, old = grey_blocks(one, side), grey_blocks(other, side)
    assert new.shape == old.shape, "the picture has another size"
    return np.abs(new - old)


def baseline(name: str, drawn: bytes) -> bytes:
    """What is kept of the picture `name`; `drawn` takes its place where new baselines are asked for."""
    path = BASELINES / f"{name}.png"
    if os.environ.get("SENSORHEALTH_NEW_BASELINES"):
        path.write_bytes(drawn)
    return path.read_bytes()


@pytest.mark.parametrize("draw", EVERY)
def test_chart_looks_as_it_did(draw: Draw, request: pytest.FixtureRequest, analysis: SimpleNamespace) -> None:
    drawn = style.png(draw(analysis, None), dpi=80)
    apart = difference(drawn, baseline(request.node.callspec.id, drawn), WHOLE)
    assert apart.max() < LARGEST and apart.mean() < MEAN


@pytest.mark.parametrize("draw", EVERY)
def test_marks_stand_where_they_stood(draw: Draw, request: pytest.FixtureRequest, analysis: SimpleNamespace) -> None:
    drawn = only_marks(draw(analysis, None))
    assert difference(drawn, baseline(f"{request.node.callspec.id}-marks", drawn), MARKS).max() < LARGEST_OF_MARKS


@pytest.mark.parametrize("draw", EVERY)
def test_no_part_of_a_chart_could_be_lost_unseen(draw: Draw, analysis: SimpleNamespace) -> None:
    """Whichever mark is taken away, the comparison of marks sees it."""
    whole = only_marks(draw(analysis, None))
    seen = 0
    for number in range(len(marks_of(draw(analysis, None)))):
        ax = draw(analysis, None)
        marks_of(ax)[number].set_visible(False)
        without = only_marks(ax)
        if without != whole:
            seen += 1
            assert difference(without, whole, MARKS).max() > LARGEST_OF_MARKS
    assert seen >= 2


def marks_of(ax: Axes) -> list[Artist]:
    parts = [ax.child_axes[0]] if ax.child_axes else [ax]
    return [mark for part in parts for mark in (*part.collections, *part.lines, *part.patches[:2])]


def test_meaning_survives_in_grey() -> None:
    """Colours that stand side by side differ in lightness (relative luminance of WCAG 2.2) by a factor of 1.3 or
    more."""

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for one, other in ((style.BLUE, style.SKY), (style.BLUE, style.VERMILION), (style.INK, style.BLUE), (style.SKY, style.PAPER)):
        bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
        assert (bright + 0.05) / (dark + 0.05) > 1.3
