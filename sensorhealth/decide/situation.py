"""What is known of every sensor when the rules are asked, as aligned arrays, one entry per sensor."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.evidence import Evidence
from sensorhealth.decide.newlives import LifeTable
from sensorhealth.decide.policy import Policy
from sensorhealth.decide.texts import codes

BoolArray = NDArray[np.bool_]
DateArray = NDArray[np.datetime64]
FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
ObjectArray = NDArray[np.object_]
GAS_TESTS = ("span", "full", "bump")
_NEVER = np.datetime64("NaT", "D")
_WORDS = ("site", "technology", "gas", "lot", "model")
NOT_IN_SERVICE = ("removed", "not yet installed")


@dataclass(frozen=True)
class Situation:
    """All sensors of the forecast table, in its order; n entries each.

    status, site, kind ("technology gas"), lot, model: text. as_of: day. row: position in the life
    distributions, -1 for none. in_service: not removed, installed. recorded_cost: price of a new one in the records,
    NaN for none; unit_cost: the price used. warranty_end, installed: days, NaT for none. p_warranty: chance of ending
    before the warranty does, NaN for none. last_test, last_outcome, last_cylinder: the last gas test of any kind;
    last_calibration: the last one that adjusted. gas_doubted, gas_words: the gas of the last test is held to be out
    of tolerance, and how. gas_chance: that chance. handling_doubted, handling_chance: the last reading stands alone
    and may be handling. zero_end: day from which on its zero may drift past the policy's limit (chance one in twenty), NaT
    for none.
    """

    policy: Policy
    as_of: np.datetime64
    sensor_id: ObjectArray
    status: ObjectArray
    site: ObjectArray
    kind: ObjectArray
    lot: ObjectArray
    model: ObjectArray
    row: IntArray
    in_service: BoolArray
    recorded_cost: FloatArray
    unit_cost: FloatArray
    installed: DateArray
    warranty_end: DateArray
    p_warranty: FloatArray
    readings_used: FloatArray
    last_test: DateArray
    last_outcome: ObjectArray
    last_cylinder: ObjectArray
    last_calibration: DateArray
    gas_doubted: BoolArray
    gas_words: ObjectArray
    gas_chance: FloatArray
    handling_doubted: BoolArray
    handling_chance: FloatArray
    zero_end: DateArray

    @property
    def size(self) -> int:
        """Number n of sensors."""
        return self.sensor_id.size

    def under(self, policy: Policy) -> Situation:
        """The same situation under another policy."""
        price = np.where(np.isnan(self.recorded_cost), _price(policy, self.kind), self.recorded_cost)
        return replace(self, policy=policy, unit_cost=price)

    def days_since(self, dates: DateArray) -> FloatArray:
        """Days (n,) from `dates` to the as-of date, NaN for missing."""
        days = (self.as_of - dates).astype(float)
        return np.where(np.isnat(dates), np.nan, days)


def situation(
    remaining: LifeTable,
    lives: pd.DataFrame | None,
    forecast: pd.DataFrame,
    fleet: Any | None,
    policy: Policy,
    evidence: Evidence | None = None,
) -> Situation:
    """Bring the tables together, one entry per row of `forecast` (what the arguments are: `plan.plan`)."""
    evidence = evidence or Evidence()
    table = _facts(lives, forecast, fleet)
    ids, status = _text(forecast, "sensor_id"), _text(forecast, "status")
    tested, cylinder, calibrated = _last_tests(fleet, ids)
    row = pd.Index(remaining.life_id, dtype=object).get_indexer(pd.Index(table["life_id"], dtype=object)).astype(np.intp)
    gas_doubted, gas_words, gas_chance = evidence.gas(ids, cylinder, table["gas"])
    handling_doubted, handling_chance = evidence.handling(ids, tested)
    recorded = table["unit_cost"]
    names, code = codes(table["technology"] + " " + table["gas"])
    kind = np.array([name.strip() for name in names], dtype=object)[code] if ids.size else ids
    last_test = tested if "last_gas_test" not in forecast else _dates(forecast, "last_gas_test")
    return Situation(
        policy=policy,
        as_of=np.datetime64(pd.Timestamp(forecast["as_of"].iloc[0]), "D") if len(forecast) else np.datetime64("NaT", "D"),
        sensor_id=ids,
        status=status,
        site=table["site"],
        kind=kind,
        lot=table["lot"],
        model=table["model"],
        row=row,
        in_service=~pd.Series(status).isin(NOT_IN_SERVICE).to_numpy(),
        recorded_cost=recorded,
        unit_cost=np.where(np.isnan(recorded), _price(policy, kind), recorded),
        installed=table["installed"],
        warranty_end=table["warranty_end"],
        p_warranty=_number(forecast, "p_end_before_warranty_end"),
        readings_used=np.nan_to_num(_number(forecast, "readings_used")),
        last_test=last_test,
        last_outcome=_text(forecast, "last_gas_test_outcome"),
        last_cylinder=cylinder,
        last_calibration=calibrated if fleet is not None else last_test,
        gas_doubted=gas_doubted,
        gas_words=gas_words,
        gas_chance=gas_chance,
        handling_doubted=handling_doubted,
        handling_chance=handling_chance,
        zero_end=evidence.zero_end(table["life_id"]),
    )


def _facts(lives: pd.DataFrame | None, forecast: pd.DataFrame, fleet: Any | None) -> dict[str, Any]:
    """Site, technology, gas, dates and prices of each sensor, and the life it is in, in the order of the forecast.

    What the lives say goes before what the sensors table says: after an unrecorded swap the element has another lot
    and start than the one on record, and no known warranty.
    """
    ids = pd.Index(_text(forecast, "sensor_id"), dtype=object)
    found: dict[str, Any] = {name: np.full(len(ids), "", dtype=object) for name in _WORDS}
    found |= {name: np.full(len(ids), _NEVER) for name in ("installed", "warranty_end")}
    found |= {"unit_cost": np.full(len(ids), np.nan), "life_id": ids.to_numpy(dtype=object)}
    sources = [] if fleet is None else [fleet.sensors]
    if lives is not None:
        sources.append(lives[lives["current"].astype(bool)] if "current" in lives else lives)
    for source in sources:
        if source.empty:
            continue
        row = _last_rows(source, ids)
        for name in found:
            if name in source:
                read = _dates if name in ("installed", "warranty_end") else _number if name == "unit_cost" else _text
                found[name] = np.where(row >= 0, read(source, name)[row], found[name])
    swapped = found["life_id"] != ids.to_numpy(dtype=object)
    found["warranty_end"] = np.where(swapped, _NEVER, found["warranty_end"])
    return found


def _last_rows(source: pd.DataFrame, ids: pd.Index) -> IntArray:
    """Position (n,) of the last row of `source` of each sensor, -1 for none."""
    names = source["sensor_id"].to_numpy(dtype=object)
    ends = np.flatnonzero(np.r_[names[1:] != names[:-1], True][: names.size])  # records mostly hold the rows of a sensor together
    index = pd.Index(names[ends])
    if not index.is_unique:
        last = np.flatnonzero(~index.duplicated(keep="last"))
        ends, index = ends[last], index[last]
    return np.append(ends, -1)[index.get_indexer(ids)].astype(np.intp)


def _last_tests(fleet: Any | None, ids: ObjectArray) -> tuple[DateArray, ObjectArray, DateArray]:
    """Of each sensor (n,): day and cylinder of its last gas test, day of the last that adjusted."""
    if fleet is None:
        never = np.full(ids.size, _NEVER)
        return never, np.full(ids.size, "", dtype=object), never
    tests = fleet.calibrations[["sensor_id", "time", "kind", "cylinder_id", "outcome"]]
    tests = tests[tests["kind"].isin(GAS_TESTS)]
    adjusted = tests[(tests["kind"] != "bump") & (tests["outcome"] != "aborted")]
    index = pd.Index(ids, dtype=object)
    last, calibrated = _last_rows(tests, index), _last_rows(adjusted, index)
    return (
        np.append(_dates(tests, "time"), _NEVER)[last],
        np.append(_text(tests, "cylinder_id"), "")[last],
        np.append(_dates(adjusted, "time"), _NEVER)[calibrated],
    )


def _price(policy: Policy, kinds: ObjectArray) -> FloatArray:
    """Price (n,) of a new sensor of each kind, where the records state none."""
    names, code = codes(kinds)
    own = [policy.of_kind(name, "unit_cost") for name in names]
    prices = np.array([policy.unit_cost_default if price is None else price for price in own], dtype=float)
    return prices[code] if kinds.size else np.empty(0)


def _text(table: pd.DataFrame, name: str) -> ObjectArray:
    if name not in table:
        return np.full(len(table), "", dtype=object)
    return table[name].to_numpy(dtype=object, na_value="")


def _number(table: pd.DataFrame, name: str) -> FloatArray:
    if name not in table:
        return np.full(len(table), np.nan)
    return table[name].to_numpy(dtype=float, na_value=np.nan)


def _dates(table: pd.DataFrame, name: str) -> DateArray:
    if name not in table:
        return np.full(len(table), np.datetime64("NaT"), dtype="datetime64[D]")
    return pd.to_datetime(table[name]).to_numpy(dtype="datetime64[D]")


def unknown_names(facts: Situation) -> tuple[str, ...]:
    """What the policy says of sites and kinds of sensor that no sensor of the fleet has, in words."""
    return names_unknown(facts.policy, facts.site, facts.kind)


def names_unknown(policy: Policy, sites: Iterable[str], kinds: Iterable[str]) -> tuple[str, ...]:
    """The same, from the sites and kinds of all sensors."""
    found = []
    for what, named, present in (("site", policy.sites, sites), ("kind of sensor", policy.kinds, kinds)):
        there = set(present)
        for name in sorted(set(named) - there):
            known = ", ".join(sorted(str(one) for one in there if one)[:8]) or "none recorded"
            found.append(f"the policy names the {what} {name!r}, which no sensor in the records has (there are: {known})")
    return tuple(found)
