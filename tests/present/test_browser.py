"""The report in a real browser, without a network: it opens, sorts, filters, pages, and lets no text become markup."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
from browsing import cells, filter_by, heading, press, wait

from sensorhealth.present import wording

HOSTILE = '<img src=x onerror="window.hit=1"></script><script>window.hit=1</script>\'&\u2028'


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
        place = press(browser, "sensors", "headroom ratio now (5 to 95\u00a0%)")
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
