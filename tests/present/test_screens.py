"""The report on screens and fleets of every size, on paper, in light and dark, and for those who cannot see it."""

from __future__ import annotations

import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
from browsing import cells, filter_by, heading, wait

from sensorhealth.present import wording

PAPER = 718  # pixels at 96 to the inch: A4 upright with margins of 10 mm


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
