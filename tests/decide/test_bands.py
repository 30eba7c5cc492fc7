"""Bands of the budget against what the plan then does, in worlds of known truth: fleet, sites, months."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from judge import YEAR, World, by_plan, run
from test_judge import WORLDS

from sensorhealth.decide import FleetPlan, Policy, budgets, orders
from sensorhealth.decide.budget import months
from sensorhealth.decide.visiting import SiteSwaps, draw_visiting, drawn_visits, further

SUMS = (6, 12, 24, 36)
STUDIED = ("usual", "noisy readings", "long lives", "two visits a year", "dear failures and visits", "few sensors on many sites")


def _happened(events: pd.DataFrame, start: float, edges: np.ndarray) -> np.ndarray:
    """Replacements (months,) of one site or of all."""
    swaps = events[events["what"] != "visit"]
    month = np.searchsorted(edges, swaps["day"].to_numpy() - start, side="left") - 1
    return np.bincount(month[(month >= 0) & (month < edges.size - 1)], minlength=edges.size - 1)


def _meets(world: World, policy: Policy, seed: int) -> list[tuple[str, float, float, float]]:
    """(what, happened, P10, P90) of a budget made after two years, for sums and months of the fleet and of every site."""
    plans: list[tuple[float, FleetPlan]] = []
    events = run(world, policy, by_plan(world, policy, plans), seed)
    start, plan = next((day, plan) for day, plan in plans if day >= 2.0 * YEAR)
    edges = months(plan.facts.as_of, 36, 0.0).edges
    after = events.after(start)
    found = []
    for by, table in budgets(plan, by=("fleet", "site")).items():
        for group, part in table.groupby("group"):
            mine = after if by == "fleet" else after[after["site"] == int(str(group)[1:])]
            count = _happened(mine, start, edges)
            bands = part[["p10_count", "p90_count"]].to_numpy()
            sums = part[["cumulative_p10_count", "cumulative_p90_count"]].to_numpy()
            found += [(f"{by} month", count[month], *bands[month]) for month in range(36)]
            found += [(f"{by} sum", count[:month].sum(), *sums[month - 1]) for month in SUMS]
    return found


@pytest.mark.slow
def test_eight_times_in_ten_the_count_lies_between_p10_and_p90(study_size: Callable[[int], int]) -> None:
    """Sums over half a year to three years, and months, of the fleet and of each site, in six worlds.

    Counts are whole numbers, so that bands hold somewhat more than their name. Measured, ten fleets a world: sums of the
    fleet 82 %, of a site 89 %, months 91 % and 97 %. Bands of half the width must be found out.
    """
    policy_of = {name: WORLDS[name][1].with_values(price_escalation_per_year=0.0) for name in STUDIED}
    fleets = study_size(12)
    rows = [
        row
        for name in STUDIED
        for seed in range(5000, 5000 + fleets)
        for row in _meets(replace(WORLDS[name][0], years=5.5), policy_of[name], seed)
    ]
    table = pd.DataFrame(rows, columns=["what", "happened", "low", "high"])
    table["inside"] = (table["happened"] >= table["low"]) & (table["happened"] <= table["high"])
    middle, quarter = 0.5 * (table["low"] + table["high"]), 0.25 * (table["high"] - table["low"])
    table["half"] = (table["happened"] - middle).abs() <= quarter
    held, half = table.groupby("what")["inside"].mean(), table.groupby("what")["half"].mean()
    spread = 3.0 * np.sqrt(0.8 * 0.2 / (fleets * len(STUDIED)))
    for what, least, most in (
        ("fleet sum", 0.78, 0.95),
        ("site sum", 0.8, 0.95),
        ("fleet month", 0.8, 0.96),
        ("site month", 0.85, 0.99),
    ):
        assert least - spread <= held[what] <= most + spread, held
    assert (half[["fleet sum", "site sum"]] < 0.65).all(), half


@pytest.mark.slow
def test_stock_lasts_until_the_next_delivery_about_as_often_as_stated(study_size: Callable[[int], int]) -> None:
    """Lead time 120 days, service level 95 %: no sensor is missing until the order after this one arrives.

    Measured over ten fleets of four worlds: 99 %; were all visits made as planned and taken for certain, 45 %.
    """
    served = []
    for name in ("usual", "dear failures and visits"):
        world, policy = replace(WORLDS[name][0], years=3.6), WORLDS[name][1].with_values(lead_time_days=120)
        for seed in range(6000, 6000 + study_size(10)):
            plans: list[tuple[float, FleetPlan]] = []
            events = run(world, policy, by_plan(world, policy, plans), seed)
            for day, plan in plans:
                if 1.4 * YEAR <= day <= 3.1 * YEAR:
                    listed = orders(plan)
                    stock = listed.loc[listed["order_by"] <= plan.facts.as_of, "quantity"].sum()
                    used = events.after(day - 1e-9, day + 150.0)
                    served.append((used["what"] != "visit").sum() <= stock)
    assert np.mean(served) >= 0.95 - 3.0 * np.sqrt(0.05 * 0.95 / len(served))


def _site(early: float, per_day: float = 0.05, first: bool = False) -> tuple[SiteSwaps, np.ndarray]:
    edges = np.linspace(0.0, 1095.0, 37)
    return SiteSwaps(14.0 + 90.0 * np.arange(14), per_day * edges, early, False, first), edges


def test_no_visit_is_left_out_where_swaps_are_many_and_none_made_where_none_fall_due() -> None:
    rng = np.random.default_rng(0)
    site, edges = _site(0.0, per_day=10.0)
    assert drawn_visits(site, edges, rng)[0].tolist() == list(range(1, 12 + 1))
    site, edges = _site(0.0, per_day=0.0)
    assert drawn_visits(site, edges, rng)[0].size == 0
    site, edges = _site(0.0, per_day=0.0, first=True)
    assert drawn_visits(site, edges, rng)[0].tolist() == [0]


def test_visits_are_fewer_where_swaps_are_brought_forward_and_reach_further() -> None:
    made = {}
    for early in (0.0, 150.0):
        site, edges = _site(early, per_day=0.02)
        drawn = [draw_visiting([site], edges, np.random.default_rng(seed), 2.0 * site.early + 90.0) for seed in range(200)]
        made[early] = np.mean([found.made.sum() for found in drawn])
        for found in drawn:
            assert (np.diff(found.cover[0]) >= 0).all()
            assert ((found.made == 0) | (found.made == 1)).all()
    assert made[150.0] < 0.75 * made[0.0]


def test_later_swaps_all_go_to_visits_and_none_is_lost() -> None:
    """Spread evenly, one a day and beyond three years, they fall in months with a visit alone, and all are made."""
    site, edges = _site(60.0, per_day=0.05)
    for seed in range(20):
        found = draw_visiting([site], edges, np.random.default_rng(seed), 2.0 * site.early + 90.0)
        released = np.diff(further(edges, 2.0 * site.early + 90.0)) @ found.release[0]
        assert (released[found.made[0] == 0] == 0).all()
        assert (released >= 0).all()
        reach = found.cover[0][-1] - 45.0
        assert released.sum() == pytest.approx(reach)
