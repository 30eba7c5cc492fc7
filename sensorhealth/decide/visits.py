"""The visits: how many swaps and tests each one sees."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sensorhealth.decide.plan import FleetPlan
from sensorhealth.decide.rules._common import calibration_due

IntArray = NDArray[np.intp]


def visits(fleet_plan: FleetPlan) -> pd.DataFrame:
    """One row per site and planned visit (columns: nomenclature visits), by date, where there is something to do.

    A visit on the as-of date is one of its own, for swaps for which even the first visit is too late. Tests are the
    gas tests that fall due before the visit after it, as far as the planning window reaches.
    """
    facts, ahead = fleet_plan.facts, fleet_plan.ahead
    cost = facts.unit_cost + fleet_plan.policy.swap_cost
    due = (calibration_due(facts, np.arange(facts.size)) - facts.as_of).astype(float)
    tables = []
    for position, site in enumerate(ahead.sites):
        mine = facts.in_service & (ahead.site_code == position)
        planned = site.planned
        swapped = np.flatnonzero(mine & ~ahead.too_late & (ahead.swap < planned))
        tested = np.flatnonzero(mine & (due < site.days[-1]))
        last = np.clip(np.searchsorted(site.days, due[tested], side="right") - 1, 0, planned - 1)
        now = mine & ahead.too_late
        tables.append(
            pd.DataFrame(
                {
                    "site": site.site,
                    "visit": facts.as_of + np.r_[0.0, np.floor(site.days[:planned])].astype("timedelta64[D]"),
                    "swaps": np.r_[now.sum(), np.bincount(ahead.swap[swapped], minlength=planned)],
                    "tests": np.r_[0, np.bincount(last, minlength=planned)],
                    "capacity": pd.array([site.capacity or None] * (planned + 1), dtype="Int64"),
                    "expected_cost": np.r_[
                        cost[now].sum(), np.bincount(ahead.swap[swapped], weights=cost[swapped], minlength=planned)
                    ],
                    "method": ahead.plans[position].method,
                    "gap": ahead.plans[position].gap,
                }
            )
        )
        tables[-1]["expected_cost"] += np.where(tables[-1]["swaps"] > 0, site.cost, 0.0)
    table = pd.concat(tables, ignore_index=True) if tables else _empty()
    table = table[(table["swaps"] > 0) | (table["tests"] > 0)]
    table = table.sort_values(["visit", "site"], kind="stable").reset_index(drop=True)
    return table.astype({"visit": "datetime64[ns]", "swaps": "int64", "tests": "int64"})


def _empty() -> pd.DataFrame:
    """The table of a fleet without sensors."""
    names = ("site", "visit", "swaps", "tests", "capacity", "expected_cost", "method", "gap")
    return pd.DataFrame({name: pd.Series(dtype=object) for name in names})
