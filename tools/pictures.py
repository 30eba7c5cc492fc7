"""Makes the pictures of the documentation and the executed notebooks anew from the demo fleet:
python tools/pictures.py [--notebooks [NUMBER ...]].

Run it after a change to charts, report or demo, look at what it made, and commit that.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
from pathlib import Path
from typing import Any

import sensorhealth
from sensorhealth.analysis import analyse_and_look_back
from sensorhealth.present import gallery, notebooks, style
from sensorhealth.present.report import report_html

ROOT = Path(__file__).resolve().parent.parent
PICTURES = ROOT / "docs" / "pictures"
SCREENS = {"report-light": (1400, 1060, "light"), "report-dark": (1400, 1060, "dark"), "report-narrow": (400, 860, "light")}
ALIKE = {"technology": "electrochemical", "gas": "CO"}


def draw(analysis: Any, folder: Path = PICTURES) -> None:
    """Write the charts that the documentation shows into `folder`."""
    soonest = analysis.forecast[analysis.forecast["status"] == "forecast"].nsmallest(1, "rul_days_p50")["sensor_id"].item()
    charts = {
        "runway": gallery.fleet_runway(analysis),
        "soonest": gallery.soonest(analysis, 25),
        "sensor-path": gallery.sensor_path(analysis, soonest),
        "cylinders": gallery.cylinder_bias(analysis, max_rows=20),
        "lots": gallery.lot_rates(analysis, max_rows=20),
        "budget": gallery.budget(analysis),
        "visits": gallery.visit_calendar(analysis),
        "sites": gallery.by_site(analysis),
        "survival": gallery.sudden_survival(analysis, "galvanic oxygen"),
        "hazard": gallery.sudden_hazard(analysis, "galvanic oxygen"),
        "life-fit": gallery.sudden_fit(analysis, "galvanic oxygen"),
        "residuals": gallery.sudden_residuals(analysis, "galvanic oxygen"),
        "control": gallery.sensor_control(analysis, soonest),
        "zero": gallery.zeros(analysis, **ALIKE),
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, ax in charts.items():
        (folder / f"{name}.png").write_bytes(style.png(ax, dpi=100))
        print(folder / f"{name}.png")


def photograph(analysis: Any, track_record: Any) -> None:
    """Write pictures of the report as a browser shows it; says so where no browser is installed."""
    binary, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not binary or not driver:
        print("no chromium with chromedriver: the pictures of the report stay as they are")
        return
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = binary
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(argument)
    browser = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
    try:
        with tempfile.TemporaryDirectory() as folder:
            page = Path(folder) / "report.html"
            page.write_text(report_html(analysis, track_record=track_record), encoding="utf-8")
            for name, (width, height, scheme) in SCREENS.items():
                size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
                browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
                feature = {"name": "prefers-color-scheme", "value": scheme}
                browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
                browser.get(page.as_uri())
                browser.save_screenshot(str(PICTURES / f"{name}.png"))
                print(PICTURES / f"{name}.png")
    finally:
        browser.quit()


def execute_notebooks(numbers: list[str]) -> None:
    """Write the notebooks `numbers` (all where none is named) as executed on the demo fleet into the folder
    `notebooks`, where a reader can run them again."""
    folder = ROOT / "notebooks"
    folder.mkdir(exist_ok=True)
    os.chdir(folder)
    chosen = [name for name in notebooks.names() if not numbers or name[0] in numbers]
    done = notebooks.execute({name: notebooks.source(name) for name in chosen}, progress=print)
    for name, notebook in done.items():
        notebooks.write(notebook, folder / f"{name}.ipynb")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument(
        "--notebooks",
        nargs="*",
        metavar="NUMBER",
        help="execute the notebooks too, all or these (some minutes)",
    )
    arguments = parser.parse_args()
    os.chdir(ROOT)  # the report shows the path as it is given
    analysis, track_record = analyse_and_look_back(sensorhealth.read_fleet("data/synthetic"))
    draw(analysis)
    photograph(analysis, track_record)
    if arguments.notebooks is not None:
        execute_notebooks(arguments.notebooks)


if __name__ == "__main__":
    main()
