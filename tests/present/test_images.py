"""Each chart still looks as it did when a person last looked at it.

Baselines lie beside this file. After a wanted change: SENSORHEALTH_NEW_BASELINES=1 writes them anew; look at them
before they are committed. Pictures are compared small and in grey, so that letters of another font release do not
matter.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.image import imread

from sensorhealth.present import gallery, style

BASELINES = Path(__file__).parent / "baseline"
BLOCK = 8
LARGEST, MEAN = 0.35, 0.012

DRAWN: dict[str, Callable[[SimpleNamespace], Axes]] = {
    "runway": lambda a: gallery.fleet_runway(a),
    "soonest": lambda a: gallery.soonest(a, 12),
    "sites": lambda a: gallery.by_site(a),
    "budget": lambda a: gallery.budget(a),
    "lots": lambda a: gallery.lot_rates(a),
    "cylinders": lambda a: gallery.cylinder_bias(a),
    "visits": lambda a: gallery.visit_calendar(a),
    "path": lambda a: gallery.sensor_path(a, "S00007"),
}


def grey_blocks(png: bytes | Path) -> np.ndarray:
    """Mean grey (0..1) of blocks of 8 x 8 pixels."""
    pixels = imread(io.BytesIO(png) if isinstance(png, bytes) else png)[..., :3].mean(axis=2)
    rows, columns = (side // BLOCK * BLOCK for side in pixels.shape)
    return pixels[:rows, :columns].reshape(rows // BLOCK, BLOCK, columns // BLOCK, BLOCK).mean(axis=(1, 3))


@pytest.mark.parametrize("name", DRAWN)
def test_chart_looks_as_it_did(name: str, analysis: SimpleNamespace) -> None:
    drawn = style.png(DRAWN[name](analysis), dpi=80)
    baseline = BASELINES / f"{name}.png"
    if os.environ.get("SENSORHEALTH_NEW_BASELINES"):
        baseline.write_bytes(drawn)
    new, old = grey_blocks(drawn), grey_blocks(baseline)
    assert new.shape == old.shape, "the picture has another size"
    difference = np.abs(new - old)
    assert difference.max() < LARGEST and difference.mean() < MEAN


def test_comparison_sees_a_missing_band(analysis: SimpleNamespace) -> None:
    """The tolerance is not so wide that a chart could lose a part unseen."""
    whole = gallery.fleet_runway(analysis)
    part = gallery.fleet_runway(analysis)
    part.collections[0].remove()
    difference = np.abs(grey_blocks(style.png(whole, dpi=80)) - grey_blocks(style.png(part, dpi=80)))
    assert difference.mean() > MEAN or difference.max() > LARGEST


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
