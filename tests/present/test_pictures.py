"""The pictures of the documentation: each is shown somewhere, each chart has its place, and they are those of the demo."""

from __future__ import annotations

import importlib.util
import inspect
import io
import re
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from matplotlib.image import imread

import sensorhealth
from sensorhealth.present import gallery

ROOT = Path(__file__).resolve().parent.parent.parent
PICTURES = ROOT / "docs" / "pictures"
PAGES = [ROOT / "README.md", ROOT / "docs" / "charts.md"]


def linked(page: Path) -> set[Path]:
    found = re.findall(r"\]\(([^)#]+\.png)\)", page.read_text(encoding="utf-8"))
    return {(page.parent / name).resolve() for name in found}


def chunks(png: bytes) -> set[bytes]:
    """Names of the chunks that a PNG file is made of (ISO/IEC 15948, 5.3)."""
    names, at = set(), 8
    while at < len(png):
        names.add(png[at + 4 : at + 8])
        at += 12 + int.from_bytes(png[at : at + 4], "big")
    return names


def test_pictures_that_are_shown_exist_and_those_that_exist_are_shown() -> None:
    shown = set().union(*map(linked, PAGES))
    assert shown and shown == set(PICTURES.glob("*.png"))


def test_each_chart_of_the_gallery_is_documented() -> None:
    text = (ROOT / "docs" / "charts.md").read_text(encoding="utf-8")
    functions = inspect.getmembers(gallery, inspect.isfunction)
    drawing = [name for name, function in functions if function.__module__ == gallery.__name__ and not name.startswith("_")]
    drawing = [name for name in drawing if inspect.signature(getattr(gallery, name)).return_annotation == "Axes"]
    assert len(drawing) > 10
    assert [name for name in drawing if f"`{name}(" not in text] == []


@pytest.mark.parametrize("picture", sorted(PICTURES.glob("*.png")), ids=lambda path: path.stem)
def test_picture_carries_no_clock_and_no_words_of_its_maker(picture: Path) -> None:
    assert not chunks(picture.read_bytes()) & {b"tIME", b"tEXt", b"iTXt", b"zTXt", b"eXIf"}


def tool() -> ModuleType:
    spec = importlib.util.spec_from_file_location("pictures", ROOT / "tools" / "pictures.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_pictures_are_those_of_the_demo_today(tmp_path: Path) -> None:
    """`python tools/pictures.py` makes them anew. Compared small and in grey, so that a font does not matter."""
    tool().draw(sensorhealth.analyse(sensorhealth.read_fleet(ROOT / "data" / "synthetic")), tmp_path)
    drawn = sorted(tmp_path.glob("*.png"))
    assert {path.name for path in drawn} == {path.name for path in PICTURES.glob("*.png") if not path.stem.startswith("report")}
    for path in drawn:
        new, old = (blocks(each) for each in (path, PICTURES / path.name))
        assert new.shape == old.shape, path.name
        assert np.abs(new - old).mean() < 0.015, path.name


def blocks(path: Path, side: int = 10) -> np.ndarray:
    pixels = imread(io.BytesIO(path.read_bytes()))[..., :3].mean(axis=2)
    rows, columns = (length // side for length in pixels.shape)
    return pixels[: rows * side, : columns * side].reshape(rows, side, columns, side).mean(axis=(1, 3))
