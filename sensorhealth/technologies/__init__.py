"""The sensor technologies and gases that the package knows: names, defaults and physics as data.

A technology is one TOML file in this folder. Defaults are assumptions (marked in the files), used only until the user's own
records speak.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any


@dataclass(frozen=True)
class Technology:
    """Facts about one sensor technology.

    name: canonical name. aliases: other spellings (lower case). soft_end: whether the headroom path leads to the end; where it
    is False the forecast comes from ages at death alone. rate_per_year: default loss d ln(headroom)/dt (positive = loss) and
    rate_spread: its spread between sensors as a factor; life_years: usual life (low, high); recovers: whether upward steps
    without a swap are part of its life (cleaning); hidden_reserve: whether activity can be used up unseen, so that a plateau may
    end in a knee.
    """

    name: str
    aliases: tuple[str, ...]
    soft_end: bool
    rate_per_year: float
    rate_spread: float
    life_years: tuple[float, float]
    recovers: bool
    hidden_reserve: bool
    source: str


@cache
def technologies() -> dict[str, Technology]:
    """All technologies by canonical name."""
    found: dict[str, Technology] = {}
    for entry in sorted(resources.files(__package__).iterdir(), key=lambda item: item.name):
        if entry.name.endswith(".toml") and entry.name != "gases.toml":
            facts: dict[str, Any] = tomllib.loads(entry.read_text(encoding="utf-8"))
            facts["aliases"] = tuple(facts["aliases"])
            facts["life_years"] = tuple(facts["life_years"])
            found[facts["name"]] = Technology(**facts)
    return found


@cache
def flat_technologies() -> tuple[str, ...]:
    """Those whose headroom stays flat and does not lead to the end. One that is not known is taken for one that wears."""
    return tuple(name for name, facts in technologies().items() if not facts.soft_end)


@dataclass(frozen=True)
class Gas:
    """Facts about one gas: canonical name, aliases (lower case), whether it fades in the cylinder, molar mass (g/mol)."""

    name: str
    aliases: tuple[str, ...]
    reactive: bool
    molar_mass: float | None = None


@cache
def gases() -> dict[str, Gas]:
    """All gases by canonical name. A gas that is not here is used under the name the records give it."""
    text = resources.files(__package__).joinpath("gases.toml").read_text(encoding="utf-8")
    return {
        name: Gas(name, tuple(facts["aliases"]), facts["reactive"], facts.get("molar_mass"))
        for name, facts in tomllib.loads(text).items()
    }
