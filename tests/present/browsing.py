"""What the tests in a real browser do on a page again and again."""

from __future__ import annotations

from typing import Any


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
