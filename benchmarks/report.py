"""Writing and opening the report of large fleets, beside all their rows in one plain HTML table.

    python benchmarks/report.py                        10 000 and 100 000 sensors
    python benchmarks/report.py --sensors 1000

The tables are invented (tests/present/invented.py): no analysis is made. The peer is pandas' DataFrame.to_html of the list of
sensors alone, opened in the same browser, one after the other, up to 20 000 sensors. Times: writing (seconds); opening, as the
browser's own navigation timing has it (milliseconds, the quickest of three); then sorting by a number, filtering by a word and
opening one sensor (milliseconds), which the peer cannot do. Needs Debian's chromium and chromium-driver and the package selenium.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
from selenium import webdriver

from sensorhealth.present.page import sensors
from sensorhealth.present.report import report_html

INVENTED = Path(__file__).resolve().parent.parent / "tests" / "present"
PEER_UP_TO = 20_000  # sensors; a browser needs minutes for a plain table of many more
STEPS = {
    "sort, ms": "drawn.get('sensors').sort(5)",
    "filter, ms": "drawn.get('sensors').words = 's00777'; drawn.get('sensors').filter()",
    "one sensor, ms": "location.hash = sensorLink('S00777'); part.follow()",
}


def chromium() -> Any:
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    return webdriver.Chrome(options=options, service=webdriver.ChromeService("/usr/bin/chromedriver"))


def measured(browser: Any, make: Callable[[], str], path: Path) -> dict[str, float]:
    """Seconds to write, size, and milliseconds to open the page that `make` makes."""
    begun = time.perf_counter()
    path.write_text(make(), encoding="utf-8")
    row = {"write, s": round(time.perf_counter() - begun, 2), "size, MB": round(path.stat().st_size / 1e6, 1)}
    took = []
    for _ in range(3):
        browser.get("about:blank")
        browser.get(path.as_uri())
        took.append(browser.execute_script("return performance.getEntriesByType('navigation')[0].loadEventEnd"))
    return row | {"open, ms": round(min(took))}


def compare(browser: Any, count: int, folder: Path) -> list[dict[str, Any]]:
    sys.path.insert(0, str(INVENTED))
    from invented import invented_analysis

    analysis = invented_analysis(count)
    ours = measured(browser, lambda: report_html(analysis), folder / "report.html")
    for name, script in STEPS.items():
        timed = f"const begun = performance.now(); {script}; return performance.now() - begun"
        ours[name] = round(browser.execute_script(timed))
    if count > PEER_UP_TO:
        return [{"sensors": count, "page": "report", **ours}]
    listed = sensors.sensor_list(analysis)
    shown = listed[[column.key for column in sensors.list_columns(listed)]]
    peer = measured(browser, lambda: shown.to_html(index=False), folder / "peer.html")
    ratio = {name: round(ours[name] / peer[name], 2) for name in ("write, s", "size, MB", "open, ms")}
    return [
        {"sensors": count, "page": "report", **ours},
        {"sensors": count, "page": "plain table of the list", **peer},
        {"sensors": count, "page": "ratio", **ratio},
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sensors", type=int, nargs="+", default=[10_000, 100_000])
    arguments = parser.parse_args()
    browser = chromium()
    try:
        with tempfile.TemporaryDirectory() as folder:
            rows = [row for count in arguments.sensors for row in compare(browser, count, Path(folder))]
    finally:
        browser.quit()
    print(pd.DataFrame(rows).to_string(index=False, na_rep=""))


if __name__ == "__main__":
    main()
