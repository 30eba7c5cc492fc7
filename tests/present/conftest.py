"""A small analysis made by hand, and a real browser to open its report in."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from sensorhealth.present.report import report_html

sys.path.insert(0, str(Path(__file__).resolve().parent))
from invented import invented_analysis

PAPER = 718  # pixels at 96 to the inch: 190 mm


@pytest.fixture(scope="session")
def analysis() -> SimpleNamespace:
    return invented_analysis()


@pytest.fixture(scope="session")
def make_analysis() -> Callable[..., SimpleNamespace]:
    """Make such an analysis of any number of sensors."""
    return invented_analysis


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A headless browser that logs its console and every request."""
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not binary or not driver:
        pytest.skip("no chromium with chromedriver is installed")
    options = webdriver.ChromeOptions()
    options.binary_location = binary
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    opened = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
    yield opened
    opened.quit()


@pytest.fixture
def narrow(browser: Any) -> Iterator[Any]:
    """The browser with the screen of a phone."""
    size = {"width": 400, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    yield browser
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.fixture
def paper(browser: Any) -> Iterator[Any]:
    """The browser as it would print on A4 upright with margins of 10 mm."""
    size = {"width": PAPER, "height": 1000, "deviceScaleFactor": 1, "mobile": False}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    yield browser
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.fixture(scope="session")
def open_page(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Callable[[SimpleNamespace], Path]:
    """Write the report of an analysis, once, and open it."""
    written: dict[int, tuple[SimpleNamespace, Path]] = {}

    def write_and_open(analysis: SimpleNamespace) -> Path:
        if id(analysis) not in written:
            written[id(analysis)] = analysis, tmp_path_factory.mktemp("report") / "report.html"
            written[id(analysis)][1].write_text(report_html(analysis), encoding="utf-8")
        path = written[id(analysis)][1]
        browser.get_log("browser"), browser.get_log("performance")
        browser.get(path.as_uri())
        return path

    return write_and_open
