"""The report in a real browser, without a network: it opens, sorts, filters, pages, and lets no text become markup."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from sensorhealth.present import wording
from sensorhealth.present.report import report_html

PAPER = 718  # pixels at 96 to the inch: 190 mm
HOSTILE = '<img src=x onerror="window.hit=1"></script><script>window.hit=1</script>\'&\u2028'


@pytest.fixture(scope="module")
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


@pytest.fixture(scope="module")
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


def cells(browser: Any, table: str, column: int) -> list[str]:
    script = "return [...document.querySelectorAll(arguments[0])].map((cell) => cell.textContent)"
    found: list[str] = browser.execute_script(script, f'[data-table="{table}"] tbody td:nth-child({column + 1})')
    return found


def heading(browser: Any, table: str, label: str) -> int:
    labels = browser.execute_script(
        "return [...document.querySelectorAll(arguments[0])].map((b) => b.textContent)",
        f'[data-table="{table}"] th button',
    )
    place: int = labels.index(label)
    return place


def press(browser: Any, table: str, label: str) -> int:
    """Sort by the heading `label` with the keyboard."""
    place = heading(browser, table, label)
    button = browser.find_elements("css selector", f'[data-table="{table}"] th button')[place]
    button.send_keys("\n")
    return place


def wait(browser: Any, milliseconds: int = 150) -> None:
    browser.execute_async_script("setTimeout(arguments[1], arguments[0])", milliseconds)


def filter_by(browser: Any, words: str) -> None:
    box = browser.find_element("id", "sensors-words")
    box.clear()
    box.send_keys(words)
    wait(browser, 250)


def test_page_opens_without_errors_or_outside_requests(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    path = open_page(analysis)
    assert browser.get_log("browser") == []
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent"]
    assert set(asked) <= {path.as_uri()} and asked
    assert browser.find_element("css selector", "h1").text == "Sensor health on 2026-03-31"


def test_headings_sort_with_the_keyboard_both_ways(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    open_page(analysis)
    label = "chance to end in 180 days"
    place = press(browser, "sensors", label)
    rising = cells(browser, "sensors", place)
    head = browser.find_elements("css selector", '[data-table="sensors"] th')[place]
    assert head.get_attribute("aria-sort") == "ascending"
    press(browser, "sensors", label)
    assert head.get_attribute("aria-sort") == "descending"
    falling = cells(browser, "sensors", place)
    chances = analysis.forecast["p_end_180d"]
    assert (rising[0], falling[0]) == (wording.chance(chances.min()), wording.chance(chances.max()))
    every_other = browser.find_elements("css selector", '[data-table="sensors"] th[aria-sort="none"]')
    assert len(every_other) == len(browser.find_elements("css selector", '[data-table="sensors"] th')) - 1


def test_missing_numbers_come_last_whichever_way(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    holes = SimpleNamespace(**vars(analysis))
    holes.forecast = analysis.forecast.copy()
    holes.forecast.loc[holes.forecast.index[5:50], "headroom_ratio"] = float("nan")
    open_page(holes)
    for _ in range(2):
        place = press(browser, "sensors", "headroom ratio now (5 to 95 %)")
        assert cells(browser, "sensors", place)[0] != "unknown"
        assert cells(browser, "sensors", place)[-1] == "unknown"


def test_words_and_choices_filter_together(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    open_page(analysis)
    filter_by(browser, "north quay")
    site = heading(browser, "sensors", "site")
    assert set(cells(browser, "sensors", site)) == {"North quay"}
    browser.execute_script(
        "const s = document.getElementById('sensors-gas'); s.value = 'H2S'; s.dispatchEvent(new Event('change'))"
    )
    assert set(cells(browser, "sensors", heading(browser, "sensors", "gas"))) == {"H2S"}
    sensors = analysis.fleet.sensors
    expected = int(((sensors["site"] == "North quay") & (sensors["gas"] == "H2S")).sum())
    assert len(cells(browser, "sensors", 0)) == expected
    assert f"of {expected}" in browser.find_element("id", "said").get_attribute("textContent")


def test_filter_that_fits_nothing_says_so(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    open_page(analysis)
    filter_by(browser, "no such words anywhere")
    assert cells(browser, "sensors", 0) == []
    assert "No row" in browser.find_element("css selector", '[data-table="sensors"] .where').text


def test_pages_show_every_sensor_once(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    open_page(analysis)
    seen = cells(browser, "sensors", 0)
    following = browser.find_elements("css selector", '[data-table="sensors"] .pager button')[1]
    while following.is_enabled():
        following.send_keys("\n")
        seen += cells(browser, "sensors", 0)
    assert sorted(seen) == sorted(analysis.forecast["sensor_id"])


def test_sensor_part_opens_by_its_link_and_goes_back(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    open_page(analysis)
    link = browser.find_element("css selector", '[data-table="sensors"] tbody a')
    name = link.text
    link.send_keys("\n")
    wait(browser)
    part = browser.find_element("id", "sensor")
    assert part.find_element("css selector", "h1").text == f"Sensor {name}"
    assert "Last gas test: 20" in part.text
    readings = int((analysis.readings["sensor_id"] == name).sum())
    assert len(part.find_elements("css selector", "circle.corrected")) == readings
    assert not browser.find_element("id", "report").is_displayed()
    browser.back()
    wait(browser)
    assert browser.find_element("id", "report").is_displayed()
    assert browser.switch_to.active_element.text == name, "the focus is where the reader was"
    assert browser.get_log("browser") == []


def test_sensor_part_carries_the_caution_and_leads_to_all_of_them(
    browser: Any, open_page: Any, analysis: SimpleNamespace
) -> None:
    path = open_page(analysis)
    browser.get(path.as_uri() + "#sensor=S00001")
    part = browser.find_element("id", "sensor")
    assert "A forecast is not a proof of function" in part.text
    part.find_element("css selector", ".caution a").send_keys("\n")
    wait(browser, 1200)
    place = browser.execute_script("return document.getElementById('cautions').getBoundingClientRect().top")
    height = browser.execute_script("return innerHeight")
    assert browser.find_element("id", "report").is_displayed() and 0 <= place < height


def test_only_sensors_of_the_list_are_links(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    strange = SimpleNamespace(**vars(analysis))
    strange.findings = analysis.findings.assign(sensor_id=["S00001", "never heard of"])
    open_page(strange)
    found = browser.find_elements("css selector", '[data-table="findings"] tbody td.name')
    assert [(cell.text, len(cell.find_elements("css selector", "a"))) for cell in found] == [("S00001", 1), ("never heard of", 0)]


def test_unknown_sensor_in_the_address_is_answered(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    open_page(analysis)
    browser.execute_script("location.hash = '#sensor=%E0%A4%A&<b>'")
    wait(browser)
    assert "No sensor of this name" in browser.find_element("id", "sensor").text


def test_hostile_text_stays_text(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    hostile = SimpleNamespace(**vars(analysis))
    rename = {"S00001": HOSTILE}
    for name in ("forecast", "plan", "warranty", "retest", "findings"):
        setattr(hostile, name, getattr(analysis, name).replace({"sensor_id": rename}))
    hostile.plan = hostile.plan.assign(reason=HOSTILE)
    fleet = SimpleNamespace(**vars(analysis.fleet))
    fleet.sensors = analysis.fleet.sensors.replace({"sensor_id": rename}).assign(site=HOSTILE)
    hostile.fleet, hostile.lives = fleet, analysis.lives.replace({"sensor_id": rename})
    open_page(hostile)
    press(browser, "sensors", "site")
    filter_by(browser, "onerror")
    assert HOSTILE in cells(browser, "sensors", 0)
    browser.execute_script("location.hash = sensorLink(arguments[0])", HOSTILE)
    wait(browser)
    shown = browser.find_element("css selector", "#sensor h1").get_attribute("textContent")
    assert shown == f"Sensor {HOSTILE}"
    assert browser.execute_script("return window.hit === undefined && !document.querySelector('main img')")
    assert browser.get_log("browser") == []


@pytest.mark.parametrize("width", [1400, 400])
def test_nothing_sticks_out_of_the_page(browser: Any, open_page: Any, analysis: SimpleNamespace, width: int) -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    )
    path = open_page(analysis)
    for address in (path.as_uri(), path.as_uri() + "#sensor=S00001"):
        browser.get(address)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_nothing_is_cut_off_on_paper(paper: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    open_page(analysis)
    edges = "return [...document.querySelectorAll('main:not([hidden]) *')].map((part) => part.getBoundingClientRect().right)"
    assert max(paper.execute_script(edges)) <= PAPER + 1
    controls = paper.find_elements("css selector", "select, input, .pager button")
    assert controls and not [control for control in controls if control.is_displayed()]


def test_rows_stand_below_one_another_on_narrow_screens(narrow: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    """Nothing is to be scrolled sideways for, every value carries its label, and the order can still be chosen."""
    browser = narrow
    open_page(analysis)
    scroll = browser.find_element("css selector", '[data-table="sensors"] .scroll')
    wide, room = browser.execute_script("return [arguments[0].scrollWidth, arguments[0].clientWidth]", scroll)
    assert wide <= room
    labels = browser.execute_script(
        "return [...document.querySelectorAll('[data-table=\"sensors\"] tbody tr:first-child td')].map((td) => td.dataset.label)"
    )
    assert labels == browser.execute_script("return drawn.get('sensors').packed.columns.map((column) => column.label)")
    place = heading(browser, "sensors", "chance to end in 180 days")
    browser.execute_script(
        "const s = document.getElementById('sensors-order'); s.value = arguments[0]; s.dispatchEvent(new Event('change'))",
        str(place),
    )
    chances = analysis.forecast["p_end_180d"]
    assert cells(browser, "sensors", place)[0] == wording.chance(chances.min())
    browser.find_element("css selector", '[data-table="sensors"] button.for-narrow').send_keys("\n")
    assert cells(browser, "sensors", place)[0] == wording.chance(chances.max())


def test_without_script_the_page_still_reads(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        open_page(analysis)
        text = browser.find_element("css selector", "main").text
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert "How many sensors need something?" in text and "S00000" in text and "more rows are shown" in text


def test_every_control_has_a_label_and_every_picture_words(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    open_page(analysis)
    unlabelled = "return [...document.querySelectorAll('input, select')].filter((e) => !e.labels.length).length"
    assert browser.execute_script(unlabelled) == 0
    wordless = "return [...document.querySelectorAll('[role=img]')].filter((e) => !e.getAttribute('aria-label')).length"
    assert browser.execute_script(wordless) == 0
    twice = "const ids = [...document.querySelectorAll('[id]')].map((e) => e.id); return ids.length - new Set(ids).size"
    assert browser.execute_script(twice) == 0


def test_light_and_dark_both_have_contrast(browser: Any, open_page: Any, analysis: SimpleNamespace) -> None:
    """Web Content Accessibility Guidelines 2.2, success criterion 1.4.3: 4.5 to 1 for text."""
    script = """const s = getComputedStyle(document.documentElement);
    return ['--ink', '--muted', '--link', '--paper', '--raised'].map((n) => s.getPropertyValue(n).trim())"""

    def luminance(colour: str) -> float:
        parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
        linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    open_page(analysis)
    for scheme in ("light", "dark"):
        feature = {"name": "prefers-color-scheme", "value": scheme}
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [feature]})
        *texts, paper, raised = browser.execute_script(script)
        for text in texts:
            for ground in (paper, raised):
                bright, dark = sorted((luminance(text), luminance(ground)), reverse=True)
                assert (bright + 0.05) / (dark + 0.05) >= 4.5, (scheme, text, ground)


def test_ten_thousand_sensors_open_within_a_second(browser: Any, open_page: Any, make_analysis: Any) -> None:
    """The quickest of three, as the browser's own navigation timing has it: the machine may be busy with other
    things."""
    path = open_page(make_analysis(10_000))
    took = []
    for _ in range(3):
        browser.get("about:blank")
        browser.get(path.as_uri())
        took.append(browser.execute_script("return performance.getEntriesByType('navigation')[0].loadEventEnd"))
    assert min(took) < 1000
    assert len(cells(browser, "sensors", 0)) == 25


def test_hundred_thousand_sensors_can_be_paged_filtered_and_opened(browser: Any, open_page: Any, make_analysis: Any) -> None:
    open_page(make_analysis(100_000))
    where = browser.find_element("css selector", '[data-table="sensors"] .where')
    assert where.text == "Rows 1 to 25 of 100\u202f000" and len(cells(browser, "sensors", 0)) == 25
    filter_by(browser, "s77777")
    assert cells(browser, "sensors", 0) == ["S77777"]
    browser.find_element("css selector", '[data-table="sensors"] tbody a').send_keys("\n")
    wait(browser)
    assert browser.find_element("css selector", "#sensor h1").text == "Sensor S77777"
    assert "not in this file" in browser.find_element("id", "sensor").text
    assert browser.get_log("browser") == []
