"""The policy: everything the user decides, in one place; `Policy.defaults_toml()` writes it out with comments."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from sensorhealth.decide.keys import (
    check,
    commented_toml,
    dates,
    flag,
    integer,
    keys_of,
    markdown_table,
    money,
    number,
    refuse_unknown,
    text,
    toml_value,
)
from sensorhealth.errors import PolicyError

RISK, COST, VISIT, WARRANTY, ORDER, BUDGET = (
    "Risk and gas tests", "Money", "Visits", "Warranty", "Orders", "Budget and policies compared",
)  # fmt: skip
SCHEMES = ("condition", "calendar", "failure")
WARRANTY_TERMS = ("free", "pro-rata")


@dataclass(frozen=True)
class SitePolicy:
    """What holds at one site instead of the general value; None = the general value."""

    visit_dates: tuple[dt.date, ...] | None = dates("Dates of the visits to this site; they replace the interval.")
    visit_interval_days: int | None = integer(None, "days", 1, 3650, "Days between visits to this site.")
    visit_capacity_swaps: int | None = integer(None, "sensors", 0, 1e9, "Most swaps on one visit; 0 = not limited.")
    visit_cost: float | None = money(None, "Cost of one visit to this site.")


@dataclass(frozen=True)
class KindPolicy:
    """What holds for one kind of sensor ("technology gas") instead of the general value; None = the general value."""

    unit_cost: float | None = money(None, "Price of a new sensor of this kind.")
    lead_time_days: int | None = integer(None, "days", 0, 1000, "Days from order to delivery of this kind.")
    shelf_life_days: int | None = integer(None, "days", 1, 3650, "Longest time a spare of this kind is kept.")
    zero_limit_ratio: float | None = number(
        None, "ratio", 0.0, 10.0, "Largest drift of the zero of this kind, as a part of the applied gas."
    )
    stock_on_hand: int = integer(0, "sensors", 0, 1e9, "Spares of this kind in stock.")
    stock_age_days: int = integer(0, "days", 0, 3650, "Age of those spares since they were made.")


@dataclass(frozen=True)
class Policy:
    """All settings of the decisions; frozen, checked when made.

    Every key states its default, unit, range and meaning at its field. Raises PolicyError (key, value, what to give).
    """

    margin: float = number(0.0, "ratio", 0.0, 2.0, "A sensor has ended when its headroom ratio falls to 1 + margin.", RISK)
    risk: float = number(
        0.05, "probability", 0.0001, 0.5, "Largest accepted chance of ending between one visit and the next.", RISK
    )
    horizon_days: int = integer(3650, "days", 365, 36500, "How far ahead forecasts reach; later = the horizon.", RISK)
    calibration_interval_days: int = integer(
        180, "days", 1, 1830, "Longest time between calibrations with gas; the plan never advises a longer one.", RISK
    )
    bump_interval_days: int = integer(
        1, "days", 1, 366, "Longest time between bump tests; checked where bump tests are in the records.", RISK
    )
    bump_tests_recorded: bool = flag(
        False, "Whether all bump tests are in these records; if not, the calibration interval alone is checked.", RISK
    )
    repeat_within_days: int = integer(
        7, "days", 0, 90, "How soon a doubtful calibration is repeated or doubtful gas is checked.", RISK
    )
    zero_limit_ratio: float = number(
        0.0,
        "ratio",
        0.0,
        10.0,
        "Largest drift of the zero that an instrument can take out, as a part of the applied gas; 0 = not limited.",
        RISK,
    )
    currency: str = text("EUR", "Name of the currency, for headings only.", COST)
    unit_cost_default: float = money(180.0, "Price of a new sensor where the records state none.", COST)
    swap_cost: float = money(60.0, "Labour for one swap on a visit that is being made.", COST)
    visit_cost: float = money(350.0, "Cost of one visit to a site for swaps.", COST)
    failure_cost: float = money(
        1500.0,
        "Cost of an end in service, over and above the new sensor and its swap: extra visit, stopped work.",
        COST,
    )
    calibration_cost: float = money(25.0, "Cost of one extra calibration with gas.", COST)
    first_visit_days: int = integer(
        14, "days", 1, 3650, "Days from the as-of date to the first visit, where no dates are given.", VISIT
    )
    visit_interval_days: int = integer(90, "days", 1, 3650, "Days between visits to a site, where no dates are given.", VISIT)
    visit_capacity_swaps: int = integer(0, "sensors", 0, 1e9, "Most swaps on one visit; 0 = not limited.", VISIT)
    planning_days: int = integer(365, "days", 1, 3650, "How far ahead visits are planned.", VISIT)
    solver_seconds: float = number(
        20.0, "s", 0.1, 86400.0, "Time limit of the visit plan; the best plan so far is used, with its gap.", VISIT
    )
    solver_largest: int = integer(
        1_000_000, "pairs", 0, 1e8, "Most sensor-visit pairs of the fleet for the exact visit plan; above: stepwise.", VISIT
    )
    warranty_notice_days: int = integer(
        30, "days", 0, 730, "Days before the end of the warranty by which a claim must be made.", WARRANTY
    )
    warranty_test_days: int = integer(
        42, "days", 1, 730, "Length of the weeks before that day in which to test with fresh, verified gas.", WARRANTY
    )
    warranty_terms: str = text(
        "free",
        "What a claim gives: a free sensor, or credit for the part of the warranty left.",
        WARRANTY,
        WARRANTY_TERMS,
    )
    warranty_chance: float = number(
        0.02, "probability", 0.0, 1.0, "Smallest chance of ending inside the warranty to advise a test.", WARRANTY
    )
    lead_time_days: int = integer(42, "days", 0, 1000, "Days from order to delivery.", ORDER)
    order_interval_days: int = integer(30, "days", 1, 730, "Days between two orders of the same kind.", ORDER)
    service_level: float = number(
        0.95, "probability", 0.5, 0.9999, "Wanted chance that no sensor is missing when it is needed.", ORDER
    )
    shelf_life_days: int = integer(180, "days", 1, 3650, "Longest time a spare is kept before use.", ORDER)
    shelf_ageing: float = number(
        0.3, "ratio", 0.0, 1.0, "Ageing of a spare on the shelf, as a part of its ageing in service.", ORDER
    )
    budget_months: int = integer(36, "months", 1, 240, "Months of the budget.", BUDGET)
    price_escalation_per_year: float = number(0.03, "1/year", -0.5, 1.0, "Yearly rise of all prices.", BUDGET)
    scheme: str = text(
        "condition",
        "When sensors are swapped: by forecast, by the calendar, or when they have failed.",
        BUDGET,
        SCHEMES,
    )
    calendar_swap_days: int = integer(730, "days", 30, 7300, "Age at which the calendar scheme swaps every sensor.", BUDGET)
    sites: Mapping[str, SitePolicy] = field(default_factory=dict)
    kinds: Mapping[str, KindPolicy] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check(self)
        for name, part in (("sites", SitePolicy), ("kinds", KindPolicy)):
            entries = _entries(name, part, getattr(self, name))
            object.__setattr__(self, name, MappingProxyType(entries))

    def __reduce__(self) -> tuple[Any, ...]:
        """Policies travel between processes by their values."""
        values = {item.name: getattr(self, item.name) for item in fields(self)}
        return Policy.from_mapping, (values | {"sites": dict(self.sites), "kinds": dict(self.kinds)},)

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any]) -> Policy:
        """A policy from plain values, as TOML gives them. Raises PolicyError."""
        refuse_unknown(values, [*keys_of(cls), "sites", "kinds"])
        return cls(**values)

    @classmethod
    def load(cls, path: str | Path) -> Policy:
        """The policy in a TOML file; absent keys have their defaults. Raises PolicyError, which names the file."""
        path = Path(path)
        try:
            values = tomllib.loads(path.read_text(encoding="utf-8"))
        except OSError as error:
            raise PolicyError(f"{path}: cannot be read ({error.strerror}); give the path of a TOML file") from error
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise PolicyError(f"{path}: this is not TOML ({error}); compare with the commented defaults") from error
        try:
            return cls.from_mapping(values)
        except PolicyError as error:
            raise PolicyError(f"{path}: {error}") from error

    @staticmethod
    def defaults_toml() -> str:
        """All keys with their defaults and comments, ready to be edited."""
        return Policy().to_toml() + _EXAMPLES

    @staticmethod
    def documentation() -> str:
        """The page of documentation, in Markdown."""
        parts = {"All keys": Policy, 'One site: `[sites."North plant"]`': SitePolicy,
                 'One kind of sensor: `[kinds."electrochemical H2S"]`': KindPolicy}  # fmt: skip
        tables = "\n".join(f"## {title}\n\n{markdown_table(cls)}" for title, cls in parts.items())
        return f"{_HEAD}\n{tables}\n## The defaults as a file\n\n```toml\n{Policy.defaults_toml()}```\n"

    def to_toml(self) -> str:
        """This policy as commented TOML; `Policy.load` reads the same policy back."""
        text = commented_toml(self)
        for name in ("sites", "kinds"):
            for entry, part in getattr(self, name).items():
                text += f"\n[{name}.{toml_value(entry)}]\n{commented_toml(part, only_set=True)}"
        return text

    def with_values(self, **values: Any) -> Policy:
        """A copy with some keys changed. Raises PolicyError."""
        refuse_unknown(values, [*keys_of(Policy), "sites", "kinds"])
        return replace(self, **values)

    def of_site(self, site: str, name: str) -> Any:
        """Value of key `name` at `site`: the site's own, or the general one."""
        own = getattr(self.sites.get(site), name, None)
        return getattr(self, name, None) if own is None else own

    def of_kind(self, kind: str, name: str) -> Any:
        """Value of key `name` for `kind` ("technology gas"): its own, or the general one (None where there is none)."""
        own = getattr(self.kinds.get(kind, _PLAIN_KIND), name)
        return getattr(self, name, None) if own is None else own

    def zero_limits(self, kinds: Iterable[str]) -> dict[str, float] | None:
        """Limit of the zero of each kind ("technology gas"), as a ratio of the applied gas; None where none is set."""
        limits = {kind: self.of_kind(kind, "zero_limit_ratio") for kind in kinds}
        return {kind: limit for kind, limit in limits.items() if limit > 0.0} or None


def _entries(name: str, part: type, given: Any) -> dict[str, Any]:
    """The tables of sites or kinds, each checked."""
    if not isinstance(given, Mapping):
        raise PolicyError(f'policy key {name}: {given!r} is not allowed; write tables such as [{name}."..."]')
    entries = {}
    for entry, values in given.items():
        where = f'{name}."{entry}".'
        if isinstance(values, part):
            entries[entry] = values
            continue
        if not isinstance(values, Mapping):
            raise PolicyError(f'policy key {where[:-1]}: {values!r} is not allowed; write a table [{name}."{entry}"]')
        refuse_unknown(values, list(keys_of(part)), where)
        settings = part(**values)
        check(settings, where)
        entries[entry] = settings
    return entries


_PLAIN_KIND = KindPolicy()
_EXAMPLES = """
# ---- One site, where it differs (remove the # marks) ----
# [sites."North plant"]
# visit_dates = [2026-03-02, 2026-06-01]
# visit_capacity_swaps = 12

# ---- One kind of sensor, where it differs: "technology gas" ----
# [kinds."electrochemical H2S"]
# unit_cost = 210.0
# lead_time_days = 56
# stock_on_hand = 4
"""
_HEAD = """# The policy, key by key

The policy is a TOML file. Every key has a default; a key that does not exist, or a value that is not allowed, is
refused with a message that names both. The defaults for money are placeholders (common practice, no source): put your
own. This page is written from the policy's own statements; do not edit it by hand.

The intervals of gas tests are stated here so that the plan can see what is overdue. They are those of the maker's
instructions, local codes and the site's competent person; the plan never advises a longer one.
"""
