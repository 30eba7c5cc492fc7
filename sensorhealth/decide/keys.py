"""How a settings class documents and checks its own keys.

A key is stated once, at its field: default, unit, range or choices, meaning. From that one statement come the
checks, the error messages, the commented TOML and the page of documentation.
"""

from __future__ import annotations

import datetime as dt
import difflib
import json
import math
from collections.abc import Mapping
from dataclasses import MISSING, Field, dataclass, field, fields
from typing import Any

from sensorhealth.errors import PolicyError


@dataclass(frozen=True)
class Key:
    """What is said about one key.

    kind: number, integer, boolean, text, dates. unit: "" for none. low, high: inclusive range. choices: closed set.
    group: heading under which it is written. optional: None is allowed and means that the general value holds.
    """

    kind: str
    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    group: str = ""
    optional: bool = False

    def allowed(self) -> str:
        """The allowed values, in words."""
        if self.choices:
            return "one of " + ", ".join(f'"{choice}"' for choice in self.choices)
        if self.kind in ("number", "integer"):
            what = "a whole number" if self.kind == "integer" else "a number"
            return f"{what} from {self.low:g} to {self.high:g}" + (f" ({self.unit})" if self.unit else "")
        return {
            "boolean": "true or false",
            "text": "a text that is not empty",
            "dates": "a list of dates such as [2026-03-01]",
        }[self.kind]


def _key(default: Any, kind: str, meaning: str, **facts: Any) -> Any:
    """A dataclass field that carries what is said about the key; a default of None means "the general value holds"."""
    return field(default=default, metadata={"key": Key(kind, meaning, optional=default is None, **facts)})


def number(default: float | None, unit: str, low: float, high: float, meaning: str, group: str = "") -> Any:
    """A key that is a number within an inclusive range."""
    return _key(default, "number", meaning, unit=unit, low=low, high=high, group=group)


def integer(default: int | None, unit: str, low: float, high: float, meaning: str, group: str = "") -> Any:
    """A key that is a whole number within an inclusive range."""
    return _key(default, "integer", meaning, unit=unit, low=low, high=high, group=group)


def money(default: float | None, meaning: str, group: str = "") -> Any:
    """A key that is a sum of money."""
    return number(default, "currency", 0.0, 1e9, meaning, group)


def flag(default: bool, meaning: str, group: str = "") -> Any:
    """A key that is true or false."""
    return _key(default, "boolean", meaning, group=group)


def text(default: str, meaning: str, group: str = "", choices: tuple[str, ...] = ()) -> Any:
    """A key that is a text, possibly out of a closed set."""
    return _key(default, "text", meaning, choices=choices, group=group)


def dates(meaning: str) -> Any:
    """A key that is a list of dates and may be absent."""
    return _key(None, "dates", meaning)


def keys_of(cls: type) -> dict[str, Key]:
    """The documented keys of a settings class, in the order of its fields."""
    return {item.name: item.metadata["key"] for item in fields(cls) if "key" in item.metadata}


def default_of(cls: type, name: str) -> Any:
    """The default value of one key of a settings class."""
    item: Field[Any] = next(item for item in fields(cls) if item.name == name)
    return None if item.default is MISSING else item.default


def check(settings: object, where: str = "") -> None:
    """Check every documented key of `settings`; `where` is written before the key's name.

    Raises PolicyError that names the key, the value and what is allowed.
    """
    for name, facts in keys_of(type(settings)).items():
        object.__setattr__(settings, name, checked(facts, f"{where}{name}", getattr(settings, name)))


def checked(facts: Key, name: str, value: Any) -> Any:
    """`value` in the key's own type, or PolicyError."""
    if value is None and facts.optional:
        return None
    good = _converted(facts, value)
    if good is None:
        raise PolicyError(f"policy key {name}: {value!r} is not allowed; it must be {facts.allowed()}")
    return good


def _converted(facts: Key, value: Any) -> Any:
    """`value` in the key's type, None where it is not allowed."""
    if facts.kind == "boolean":
        return value if isinstance(value, bool) else None
    if facts.kind == "text":
        good = isinstance(value, str) and value.strip() != "" and (not facts.choices or value in facts.choices)
        return value if good else None
    if facts.kind == "dates":
        return _dates(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return None
    if facts.kind == "integer" and float(value) != int(value):
        return None
    assert facts.low is not None and facts.high is not None
    if not facts.low <= value <= facts.high:
        return None
    return int(value) if facts.kind == "integer" else float(value)


def _dates(value: Any) -> tuple[dt.date, ...] | None:
    """A sorted tuple of distinct dates, None where something is not a date."""
    if not isinstance(value, (list, tuple)):
        return None
    found: list[dt.date] = []
    for item in value:
        if isinstance(item, str):
            try:
                item = dt.date.fromisoformat(item)
            except ValueError:
                return None
        if isinstance(item, dt.datetime):
            item = item.date()
        if not isinstance(item, dt.date):
            return None
        found.append(item)
    return tuple(sorted(set(found)))


def refuse_unknown(given: Mapping[str, Any], known: list[str], where: str = "") -> None:
    """Raise PolicyError for a key that does not exist, with the nearest known name."""
    for name in given:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
            hint = f"did you mean {where}{near[0]}?" if near else "known keys: " + ", ".join(known)
            raise PolicyError(f"policy key {where}{name} does not exist; {hint}")


def toml_value(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, tuple):
        return "[" + ", ".join(item.isoformat() for item in value) + "]"
    return repr(value)


def commented_toml(settings: object, only_set: bool = False) -> str:
    """All keys with their values, each under a comment that states its meaning and range, grouped under headings."""
    lines: list[str] = []
    group = ""
    for name, facts in keys_of(type(settings)).items():
        value = getattr(settings, name)
        if only_set and value is None:
            continue
        if facts.group and facts.group != group:
            group = facts.group
            lines += ["", f"# ---- {group} ----"]
        lines += [f"# {facts.meaning} Allowed: {facts.allowed()}.", f"{name} = {toml_value(value)}"]
    return "\n".join(lines).lstrip("\n") + "\n"


def markdown_table(cls: type) -> str:
    """The documentation of a settings class as one Markdown table."""
    rows = ["| key | default | unit | allowed | meaning |", "|---|---|---|---|---|"]
    for name, facts in keys_of(cls).items():
        value = default_of(cls, name)
        shown = "(general value)" if value is None else f"`{toml_value(value)}`"
        rows.append(f"| `{name}` | {shown} | {facts.unit or '-'} | {facts.allowed()} | {facts.meaning} |")
    return "\n".join(rows) + "\n"
