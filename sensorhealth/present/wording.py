"""Numbers and dates as people read them: ISO 8601 dates, a space before units, groups of three set apart by a narrow
space."""

from __future__ import annotations

import math
import re
from typing import Any

import pandas as pd

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")
NARROW_SPACE = "\u202f"
UNKNOWN = "unknown"


def number(value: Any, decimals: int = 0) -> str:
    """`value` with `decimals` places and groups of three; "unknown" where it is missing."""
    if value is None or pd.isna(value) or not math.isfinite(float(value)):
        return UNKNOWN
    return f"{float(value):,.{decimals}f}".replace(",", NARROW_SPACE)


def money(value: Any, currency: str) -> str:
    """A sum in `currency`, to three figures or whole units: nobody is helped by false digits."""
    if value is None or pd.isna(value) or not math.isfinite(float(value)):
        return UNKNOWN
    size = abs(float(value))
    step = 10 ** max(0, math.floor(math.log10(size)) - 2) if size >= 1 else 1
    return f"{number(round(float(value) / step) * step)} {currency}"


def chance(value: Any) -> str:
    """A probability for people: "12 %", "below 1 %", "above 99 %"."""
    if value is None or pd.isna(value):
        return UNKNOWN
    value = float(value)
    if value < 0.01:
        return "below 1 %"
    if value > 0.99:
        return "above 99 %"
    return f"{value * 100:.0f} %"


def date(value: Any) -> str:
    """ISO 8601 calendar date; "unknown" where it is missing."""
    return UNKNOWN if value is None or pd.isna(value) else f"{pd.Timestamp(value):%Y-%m-%d}"


def span(days: Any, capped: bool = False) -> str:
    """A length of time: days below 60, months below three years, years beyond; "more than" when it is the horizon."""
    if days is None or pd.isna(days):
        return UNKNOWN
    days = float(days)
    if days < 60:
        text = f"{days:.0f} day" + ("" if round(days) == 1 else "s")
    elif days < 1096:
        text = f"{days / 30.4375:.0f} months"
    else:
        text = f"{days / 365.25:.1f} years"
    return f"more than {text}" if capped else text


def count(n: int, one: str, many: str = "") -> str:
    """ "1 sensor", "12 sensors"."""
    return f"{number(n)} {one if n == 1 else many or one + 's'}"


def clean(text: Any) -> str:
    """`text` with the characters that neither a page nor a picture can hold replaced by U+FFFD."""
    return _CONTROL.sub("\ufffd", str(text))


def short(text: Any, length: int = 22) -> str:
    """`text` cut to `length` letters, the cut marked, for labels that must leave room for the picture."""
    text = clean(text)
    return text if len(text) <= length else text[: length - 1] + "…"
