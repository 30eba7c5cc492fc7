"""Budgets of very many sensors: worlds walked through with a part of them, against all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from decide_builders import LifeRows, forecast_rows, tables, weibull_rows

from sensorhealth.decide import (
    FleetPlan,
    Policy,
    budget_and_schemes,
    budgets,
    drawn_lives,
    money_of_shard,
    money_together,
    orders,
    plan_fleet,
)
from sensorhealth.decide.budget import Account
from sensorhealth.decide.orders import demands, orders_table
from sensorhealth.decide.parts import FEWEST, MANY

KIND = "electrochemical H2S"
SIZE = 1_500


@pytest.fixture(scope="module")
def plan() -> FleetPlan:
    rng = np.random.default_rng(0)
    ids = [f"S{number:04d}" for number in range(SIZE)]
    fleet = tables(ids, site=rng.choice(["N", "S"], SIZE))
    remaining = weibull_rows(ids, rng.uniform(200, 1_500, SIZE), 5.0, 0.05)
    return plan_fleet(remaining, None, forecast_rows(ids), fleet, Policy(), fresh=weibull_rows([KIND], 700.0, 5.0, 0.05))


def _worlds(plan: FleetPlan, rows: np.ndarray) -> list[LifeRows]:
    rng = np.random.default_rng(1)
    ids = [f"S{number:04d}" for number in range(SIZE)]
    scale = np.random.default_rng(0)
    scale.choice(["N", "S"], SIZE)
    usual = scale.uniform(200, 1_500, SIZE)
    return [
        weibull_rows([ids[k] for k in rows], (usual * np.exp(0.1 * rng.standard_normal()))[rows], 5.0, 0.05) for _ in range(12)
    ]


def test_a_part_of_the_sensors_gives_the_budget_of_all(plan: FleetPlan) -> None:
    rows = np.sort(np.random.default_rng(2).permutation(SIZE)[:400])
    every, part = (budgets(plan, shared_draws=_worlds(plan, which)) for which in (np.arange(SIZE), rows))
    for by in ("fleet", "site"):
        one, other = every[by], part[by]
        last = one["month"] == one["month"].max()
        for name in ("expected_count", "p10_count", "p90_count", "expected_cost", "p50_cost"):
            ratio = other[f"cumulative_{name}"][last] / one[f"cumulative_{name}"][last]
            np.testing.assert_allclose(ratio, 1.0, atol=0.03)
    band = [table["fleet"].iloc[-1] for table in (every, part)]
    width = [row["cumulative_p90_count"] - row["cumulative_p10_count"] for row in band]
    assert 0.8 < width[1] / width[0] < 1.25


@pytest.mark.parametrize("scheme", ["condition", "calendar", "failure"])
def test_worlds_side_by_side_are_what_they_are_one_by_one(plan: FleetPlan, scheme: str) -> None:
    """New lives of their own in each world included."""
    rows = np.sort(np.random.default_rng(2).permutation(SIZE)[:400])
    new = np.random.default_rng(3).uniform(400.0, 900.0, 12)
    worlds = [_with_new(world, scale) for world, scale in zip(_worlds(plan, rows), new)]
    together, alone = Account(plan, ("fleet", "site"), scheme), Account(plan, ("fleet", "site"), scheme)
    together.add(*worlds)
    for world in worlds:
        alone.add(world)
    for name in ("fleet", "site"):
        pd.testing.assert_frame_equal(together.tables()[name], alone.tables()[name], rtol=1e-9)
    assert together.replaced() == pytest.approx(alone.replaced(), rel=1e-9)


def _with_new(world: LifeRows, scale: float) -> LifeRows:
    own = weibull_rows([KIND], scale, 5.0, 0.05)
    parts = (np.concatenate([getattr(world, name), getattr(own, name)]) for name in ("life_id", "soft", "sudden"))
    return replace(world, **dict(zip(("life_id", "soft", "sudden"), parts)))


def test_what_the_part_lacks_in_the_mean_is_put_right(plan: FleetPlan) -> None:
    """A part of the sensors that end soonest would say far too much by itself."""
    scale = np.random.default_rng(0)
    scale.choice(["N", "S"], SIZE)
    soonest = np.sort(np.argsort(scale.uniform(200, 1_500, SIZE))[:400])
    every, part = (
        budgets(plan, shared_draws=_worlds(plan, which), by=("fleet",))["fleet"] for which in (np.arange(SIZE), soonest)
    )
    column = "cumulative_expected_count"
    assert part[column].iloc[-1] == pytest.approx(every[column].iloc[-1], rel=0.1)


def test_small_fleets_are_drawn_whole_and_large_ones_at_every_site() -> None:
    few = pd.DataFrame({"site": ["N"] * 100, "technology": "electrochemical"})
    assert drawn_lives(few, np.random.default_rng(0)).tolist() == list(range(100))
    many = pd.DataFrame({"site": np.repeat([f"site {k}" for k in range(100)], MANY // 50), "technology": "electrochemical"})
    rows = drawn_lives(many, np.random.default_rng(0))
    assert many.iloc[rows]["site"].value_counts().min() >= FEWEST
    assert rows.size < len(many)


def test_orders_from_a_part_of_the_sensors_are_those_of_all(plan: FleetPlan) -> None:
    """300 sensors walked through for 1 500: quantities over the window within a few in a hundred."""
    every, part = (orders_table(demands(plan, walked), plan.policy, plan.facts.as_of) for walked in (SIZE, 300))
    assert part["quantity"].sum() == pytest.approx(every["quantity"].sum(), rel=0.05)
    first = every["expected_demand"].iloc[0]
    assert part["expected_demand"].iloc[0] == pytest.approx(first, rel=0.05)


def test_two_sites_planned_apart_and_put_together_are_the_fleet(plan: FleetPlan) -> None:
    """In the same worlds; which visits are made is drawn anew, so that counts agree as two sets of draws do."""
    site = plan.facts.site
    parts = []
    for shard, name in enumerate(("N", "S")):
        rows = np.flatnonzero(site == name)
        ids = list(plan.facts.sensor_id[rows])
        scale = np.random.default_rng(0)
        scale.choice(["N", "S"], SIZE)
        usual = scale.uniform(200, 1_500, SIZE)[rows]
        fleet = tables(ids, site=np.full(rows.size, name))
        own = plan_fleet(
            weibull_rows(ids, usual, 5.0, 0.05), None, forecast_rows(ids), fleet, Policy(),
            fresh=weibull_rows([KIND], 700.0, 5.0, 0.05),
        )  # fmt: skip
        parts.append(money_of_shard(own, _worlds(plan, rows), shard, SIZE))
    found = money_together(parts, plan.policy, plan.facts.as_of)
    whole = budget_and_schemes(plan, shared_draws=_worlds(plan, np.arange(SIZE)))
    keys = ["month", "by", "group"]
    pd.testing.assert_frame_equal(found.budget[keys], whole.budget[keys])
    last = (whole.budget["month"] == whole.budget["month"].max()).to_numpy()
    for name in ("expected_count", "p10_count", "p90_count", "expected_cost", "p90_cost"):
        ratio = found.budget[f"cumulative_{name}"][last] / whole.budget[f"cumulative_{name}"][last]
        np.testing.assert_allclose(ratio, 1.0, atol=0.03, err_msg=name)
    for name in ("expected_count", "p10_cost", "planned_swaps", "over_risk"):
        np.testing.assert_allclose(found.schemes[name], whole.schemes[name], rtol=0.03, err_msg=name)
    assert found.orders["quantity"].sum() == pytest.approx(orders(plan)["quantity"].sum(), rel=0.03)


def test_what_a_part_lacks_is_put_right_once_however_often_it_is_asked_for(plan: FleetPlan) -> None:
    rows = np.sort(np.random.default_rng(2).permutation(SIZE)[:400])
    account = Account(plan)
    for drawn in _worlds(plan, rows):
        account.add(drawn)
    pd.testing.assert_frame_equal(account.tables()["fleet"], account.tables()["fleet"])
