"""Warranty: which sensors to test on fresh, verified gas while a claim can still be made, by what it may bring."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.situation import Situation
from sensorhealth.decide.texts import days_as_text, sentences

BoolArray = NDArray[np.bool_]
DateArray = NDArray[np.datetime64]
FloatArray = NDArray[np.float64]


def claim_window(facts: Situation) -> tuple[DateArray, DateArray]:
    """First and last day (n,) on which a test leaves the notice period; NaT without a warranty."""
    end = facts.warranty_end - np.timedelta64(facts.policy.warranty_notice_days, "D")
    return end - np.timedelta64(facts.policy.warranty_test_days, "D"), end


def claim_value(facts: Situation) -> FloatArray:
    """What a claim gives (n,) by the policy's terms, for a failure documented on the last day of the window (currency).

    "free": the price of a new sensor. "pro-rata": the part of the price that belongs to the part of the warranty
    left, counted from installation.
    """
    if facts.policy.warranty_terms == "free":
        return facts.unit_cost.copy()
    _, by = claim_window(facts)
    whole = (facts.warranty_end - facts.installed).astype(float)
    left = (facts.warranty_end - np.maximum(by, facts.as_of)).astype(float)
    known = ~np.isnat(facts.warranty_end) & ~np.isnat(facts.installed) & (whole > 0)
    return facts.unit_cost * np.clip(np.where(known, left, 0.0) / np.where(known, whole, 1.0), 0.0, 1.0)


def worth_testing(facts: Situation) -> BoolArray:
    """Whether a test before the warranty ends is advised (n,): likely enough by the policy, and worth its cost."""
    chance = np.nan_to_num(facts.p_warranty)
    covered = facts.in_service & ~np.isnat(facts.warranty_end) & (facts.warranty_end >= facts.as_of)
    pays = chance * claim_value(facts) > facts.policy.calibration_cost
    return covered & pays & (chance >= facts.policy.warranty_chance)


def warranty_list(facts: Situation, swap_date: DateArray | None = None) -> pd.DataFrame:
    """Sensors still under warranty that may end before it does, ranked (columns: nomenclature warranty).

    First those for which a test is advised, by expected value; then those whose poor result the gas or the handling
    explains, for which no claim is advised before a test on verified gas; then those for which a test would not pay.
    swap_date: (n,) planned swaps; one that comes before the weeks for testing is the last chance for a claim.
    """
    return warranty_together([warranty_part(facts, swap_date)])


def warranty_together(parts: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """The list of a fleet from those of its parts (`warranty_part`)."""
    table = pd.concat(parts, ignore_index=True) if len(parts) > 1 else parts[0]
    keys = table["sensor_id"].to_numpy().astype(str), table["warranty_end"].to_numpy(), -table["expected_value"].to_numpy()
    table = table.iloc[np.lexsort((*keys, table["group"].to_numpy()))].drop(columns="group").reset_index(drop=True)
    table.insert(0, "rank", np.arange(1, len(table) + 1))
    return table


def warranty_part(facts: Situation, swap_date: DateArray | None = None) -> pd.DataFrame:
    """The rows of `warranty_list`, without rank and in the order of the sensors; group: 0 to 2 as they are listed."""
    start, by = claim_window(facts)
    covered = facts.in_service & (facts.warranty_end >= facts.as_of) & (np.nan_to_num(facts.p_warranty) > 0)
    rows = np.flatnonzero(covered)
    explained = (facts.gas_doubted | facts.handling_doubted)[rows]
    value = np.nan_to_num(facts.p_warranty * claim_value(facts))[rows]
    group = np.where(worth_testing(facts)[rows], np.where(explained, 1, 0), 2)
    table = pd.DataFrame(
        {
            "group": group,
            "sensor_id": facts.sensor_id[rows],
            "site": facts.site[rows],
            "lot": facts.lot[rows],
            "warranty_end": facts.warranty_end[rows],
            "test_from": np.minimum(np.maximum(start[rows], facts.as_of), np.maximum(by[rows], facts.as_of)),
            "test_by": by[rows],
            "p_end_before_warranty_end": facts.p_warranty[rows],
            "expected_value": value,
            "advice": _advice(facts, rows, group, swap_date),
        }
    )
    dates = ["warranty_end", "test_from", "test_by"]
    return table.astype(dict.fromkeys(dates, "datetime64[ns]"))


def for_evidence(facts: Situation) -> list[str]:
    """Sensors whose evidence is wanted: those on the warranty list that are worth a test, in its order."""
    worth = set(facts.sensor_id[worth_testing(facts)])
    return [name for name in warranty_list(facts)["sensor_id"] if name in worth]


def _advice(
    facts: Situation, rows: NDArray[np.intp], group: NDArray[np.int_], swap_date: DateArray | None
) -> NDArray[np.object_]:
    """What to do, or why no claim is advised (k,)."""
    start, by = claim_window(facts)
    swap = np.full(facts.size, np.datetime64("NaT", "D")) if swap_date is None else swap_date
    swap = np.where(swap < np.maximum(start, facts.as_of), swap, np.datetime64("NaT", "D"))

    def write(group: int, begin: str, end: str, gone: bool, failed: bool, gas: bool, swap: str) -> str:
        if group == 2:
            return "A test for the warranty alone would cost more than it may bring."
        if group == 1:
            cause = "the gas of its last test is doubted" if gas else "its last low reading stands alone and may be handling"
            return f"No claim on what is known: {cause}. Test it on a second, verified cylinder first."
        if gone:
            return "The notice period has begun: test it on fresh, verified gas at once and give notice the same day."
        if failed:
            return f"It has failed a gas test: repeat that on a second, verified cylinder and give notice by {end}."
        if swap:
            return (
                f"Its swap is planned on {swap}, before the weeks for testing: calibrate it on fresh, verified gas at the "
                "swap, keep it and the record, and claim if it cannot be adjusted."
            )
        return f"Calibrate it on fresh, verified gas between {begin} and {end}; claim if it cannot be adjusted."

    return sentences(
        write,
        group,
        days_as_text(np.maximum(start, facts.as_of)[rows]),
        days_as_text(by[rows]),
        by[rows] < facts.as_of,
        facts.last_outcome[rows] == "fail",
        facts.gas_doubted[rows],
        days_as_text(swap[rows]),
    )
