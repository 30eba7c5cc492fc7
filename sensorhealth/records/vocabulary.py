"""Other spellings of the contract's closed words. What is not here is told apart by a mapping, never guessed."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from functools import cache

from .. import nomenclature
from ..technologies import gases, technologies
from .units import unit_named

_OUTCOMES = {
    "pass": (
        "pass",
        "passed",
        "p",
        "ok",
        "okay",
        "good",
        "success",
        "successful",
        "true",
        "yes",
        "accepted",
        "in limits",
    ),
    "fail": ("fail", "failed", "f", "failure", "not ok", "nok", "bad", "unsuccessful", "false", "rejected"),
    "aborted": ("aborted", "abort", "cancelled", "canceled", "interrupted", "incomplete", "stopped"),
}
_KINDS = {
    "zero": ("zero", "zero calibration", "zero adjustment", "zero check", "zero cal", "fresh air", "fresh air zero"),
    "span": ("span", "span calibration", "span adjustment", "span cal", "gas calibration"),
    "full": (
        "full",
        "full calibration",
        "calibration",
        "cal",
        "zero and span",
        "zero+span",
        "zero/span",
        "zero & span",
    ),
    "bump": ("bump", "bump test", "function check", "functional test", "function test", "response check", "gas test"),
}
_REASONS = {
    "worn": ("worn", "worn out", "end of life", "expired", "cannot be spanned", "low sensitivity", "aged"),
    "sudden": ("sudden", "dead", "failed suddenly", "no response", "died"),
    "poisoned": ("poisoned", "poisoning", "contaminated"),
    "damaged": ("damaged", "broken", "damage", "mechanical damage", "water damage"),
    "precaution": ("precaution", "preventive", "preventative", "planned", "scheduled", "upgrade"),
    "lost": ("lost", "stolen", "missing instrument"),
    "other": ("other", "unknown"),
}


@cache
def spellings(column: str) -> Mapping[str, str]:
    """The contract's word for each known spelling (lower case, single spaces) of a text column; empty for free text."""
    words: dict[str, tuple[str, ...]] = {"outcome": _OUTCOMES, "kind": _KINDS, "removal_reason": _REASONS}.get(column, {})
    if column == "technology":
        words = {t.name: (t.name, *t.aliases) for t in technologies().values()}
    if column == "gas":
        words = {gas.name: (gas.name.casefold(), *gas.aliases) for gas in gases().values()}
    return {spelling: word for word, listed in words.items() for spelling in listed}


@cache
def is_free(column: str) -> bool:
    """Whether any text may stand in `column` as it is."""
    tables = [nomenclature.columns(table) for table in nomenclature.TABLES_IN]
    closed = any(column in columns and columns[column].choices for columns in tables)
    return not closed and not spellings(column)


def understood_word(column: str, text: str) -> str | None:
    """The contract's word for `text` in `column`; `text` itself for free text; None where a closed set lacks it."""
    if column == "unit":
        return unit_named(text) or None
    known = spellings(column).get(" ".join(unicodedata.normalize("NFKC", text).casefold().split()))
    if known is not None:
        return known
    return text if is_free(column) or column == "gas" else None
