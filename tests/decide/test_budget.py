"""The budget: against simulation of what it describes, and honest about what the sensors share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from decide_builders import AS_OF, GRID, LifeRows, forecast_rows, tables, weibull_rows
from scipy import stats

from sensorhealth.decide import (
    FleetPlan,
    Policy,
    budget,
    budget_and_schemes,
    budgets,
    compare_policies,
    compare_schemes,
    orders,
    plan_fleet,
    side_by_side,
    visits,
)
from sensorhealth.decide.budget import months
from sensorhealth.errors import PolicyError
from sensorhealth.nomenclature import columns

KIND = "electrochemical H2S"
FRESH = weibull_rows([KIND], 700.0, 5.0, 0.05)


def _plan(size: int = 80, seed: int = 0, sites: list[str] | None = None, **policy: object) -> FleetPlan:
    rng = np.random.default_rng(seed)
    ids = [f"S{number:03d}" for number in range(size)]
    fleet = tables(ids, site=rng.choice(sites or ["N", "S"], size))
    remaining = weibull_rows(ids, rng.uniform(200, 900, size), 5.0, 0.05)
    return plan_fleet(remaining, None, forecast_rows(ids), fleet, Policy(**policy), fresh=FRESH)


def test_first_month_is_that_of_the_day_after_the_as_of_date() -> None:
    end = months(np.datetime64("2026-03-31"), 3, 0.0)
    assert [str(day) for day in end.first] == ["2026-04-01", "2026-05-01", "2026-06-01"]
    assert end.edges.tolist() == [0.0, 30.0, 61.0, 91.0]
    middle = months(np.datetime64("2026-03-15"), 2, 0.1)
    assert str(middle.first[0]) == "2026-03-01"
    assert middle.edges.tolist() == [0.0, 16.0, 46.0]
    assert middle.price[1] == pytest.approx(1.1 ** (31.0 / 365.25))


def _simulated(plan: FleetPlan, runs: int, rng: np.random.Generator) -> np.ndarray:
    """Replacements (runs, months) when every sensor runs to its end and is replaced at once, by drawing ends."""
    edges = months(plan.facts.as_of, plan.policy.budget_months, 0.0).edges
    total = plan.remaining.soft + plan.remaining.sudden
    fresh = (FRESH.soft + FRESH.sudden)[0]
    found = np.zeros((runs, edges.size - 1))
    for row in range(total.shape[0]):
        day = np.interp(rng.random(runs), total[row], GRID, right=1e9)
        while (day < edges[-1]).any():
            alive = day < edges[-1]
            index = np.searchsorted(edges, np.maximum(day[alive], 1e-9), side="left") - 1
            np.add.at(found, (np.flatnonzero(alive), index), 1.0)
            day = day + np.interp(rng.random(runs), fresh, GRID, right=1e9)
    return found


def test_counts_of_replacements_and_their_replacements_agree_with_drawing_them() -> None:
    plan = _plan(budget_months=30)
    table = budget(plan, scheme="failure")
    drawn = _simulated(plan, 4000, np.random.default_rng(1))
    sums = drawn.cumsum(axis=1)
    assert table["expected_count"].to_numpy() == pytest.approx(drawn.mean(axis=0), abs=0.12)
    assert table["cumulative_expected_count"].to_numpy() == pytest.approx(sums.mean(axis=0), abs=0.5)
    for label, level in (("p10", 0.1), ("p50", 0.5), ("p90", 0.9)):
        for prefix, values in (("", drawn), ("cumulative_", sums)):
            quantile = table[f"{prefix}{label}_count"].to_numpy()
            below, upto = (values < quantile).mean(axis=0), (values <= quantile).mean(axis=0)
            assert (below <= level + 0.03).all(), (prefix, label)
            assert (upto >= level - 0.03).all(), (prefix, label)


def test_money_to_failure_is_the_price_of_every_drawn_replacement() -> None:
    plan = _plan(budget_months=30, price_escalation_per_year=0.0)
    table = budget(plan, scheme="failure")
    drawn = _simulated(plan, 4000, np.random.default_rng(2)).cumsum(axis=1) * (200.0 + 60.0 + 1500.0)
    assert table["cumulative_expected_cost"].to_numpy() == pytest.approx(drawn.mean(axis=0), rel=0.02, abs=500)
    for label, level in (("p10", 0.1), ("p90", 0.9)):
        last = table[f"cumulative_{label}_cost"].iloc[-1]
        assert last == pytest.approx(np.quantile(drawn[:, -1], level), rel=0.02)


def test_sites_and_technologies_add_up_to_the_fleet() -> None:
    plan = _plan()
    whole = budget(plan)
    assert set(columns("budget")) == set(whole.columns)
    for by in ("site", "technology"):
        parts = budget(plan, by=by)
        added = parts.groupby("month")["expected_count"].sum().to_numpy()
        assert added == pytest.approx(whole["expected_count"].to_numpy())
    by_site = budget(plan, by="site").groupby("month")["expected_cost"].sum().to_numpy()
    assert by_site == pytest.approx(whole["expected_cost"].to_numpy(), rel=1e-9)
    together = budgets(plan)
    pd.testing.assert_frame_equal(together["fleet"], whole)
    pd.testing.assert_frame_equal(together["site"], budget(plan, by="site"))
    with pytest.raises(ValueError, match="planet"):
        budget(plan, by="planet")


def test_quantiles_are_in_order_and_escalation_raises_money_only() -> None:
    plain, dearer = (budget(_plan(price_escalation_per_year=rate)) for rate in (0.0, 0.1))
    for prefix in ("", "cumulative_"):
        for what in ("count", "cost"):
            low, middle, high = (plain[f"{prefix}{label}_{what}"] for label in ("p10", "p50", "p90"))
            assert ((low <= middle) & (middle <= high)).all()
    assert dearer["expected_count"].to_numpy() == pytest.approx(plain["expected_count"].to_numpy())
    assert (dearer["expected_cost"].iloc[12:] > plain["expected_cost"].iloc[12:]).all()


def test_draws_may_tell_how_long_new_sensors_live_in_their_world() -> None:
    """Rows named by a kind: where the forecast's own values stand there nothing changes, where new sensors live half as
    long more are replaced again, and first replacements stay as they are."""
    plan = _plan(budget_months=36)

    def world(scale: float, hazard: float) -> LifeRows:
        new = weibull_rows([KIND], scale, 5.0, hazard)
        both = [np.concatenate([getattr(plan.remaining, end), getattr(new, end)]) for end in ("soft", "sudden")]
        return LifeRows(np.append(plan.remaining.life_id, new.life_id), GRID, *both)

    plain, same, short = (
        budget(plan, shared_draws=[draw] * 20) for draw in (plan.remaining, world(700.0, 0.05), world(350.0, 0.05))
    )
    pd.testing.assert_frame_equal(plain, same)
    assert short["expected_count"].iloc[:2].to_numpy() == pytest.approx(plain["expected_count"].iloc[:2].to_numpy(), rel=0.02)
    assert short["cumulative_expected_count"].iloc[-1] > 1.3 * plain["cumulative_expected_count"].iloc[-1]
    mixed = budget(plan, shared_draws=[world(350.0, 0.05), world(700.0, 0.05)] * 10).iloc[-1]
    alone = budget(plan, shared_draws=[world(700.0, 0.05)] * 20).iloc[-1]
    width = [row["cumulative_p90_count"] - row["cumulative_p10_count"] for row in (mixed, alone)]
    assert width[0] > 2.0 * width[1]


def _shared_fleet(rng: np.random.Generator, size: int) -> tuple[LifeRows, list[LifeRows], np.ndarray]:
    """A fleet whose sensors share an unknown factor on their lives: forecast, draws of the factor, true ends."""
    ids = [f"S{number}" for number in range(size)]
    scale = rng.uniform(200, 1200, size)
    factors = np.exp(rng.normal(0.0, 0.15, 40))
    draws = [weibull_rows(ids, scale * factor, 4.0) for factor in factors]
    mean = LifeRows(draws[0].life_id, GRID, np.mean([draw.soft for draw in draws], axis=0), draws[0].sudden)
    truth = stats.weibull_min.rvs(4.0, scale=scale * np.exp(rng.normal(0.0, 0.15)), random_state=rng)
    return mean, draws, truth


@pytest.mark.slow
def test_mixture_over_what_sensors_share_covers_and_independence_does_not(study_size: Callable[[int], int]) -> None:
    """80 % bands of a year's ends, over fleets with a shared factor of 15 %: mixed 80 %, independent far less."""
    fleets = study_size(100)
    rng = np.random.default_rng(11)
    inside = np.zeros(2)
    fresh = weibull_rows([KIND], 50_000.0, 8.0)
    for _ in range(fleets):
        remaining, draws, truth = _shared_fleet(rng, 250)
        ids = list(remaining.life_id)
        plan = plan_fleet(
            remaining, None, forecast_rows(ids), tables(ids), Policy(budget_months=12, scheme="failure"), fresh=fresh
        )
        count = (truth <= months(plan.facts.as_of, 12, 0.0).edges[-1]).sum()
        for kind, shared in enumerate((draws, None)):
            last = budget(plan, shared_draws=shared).iloc[-1]
            inside[kind] += last["cumulative_p10_count"] <= count <= last["cumulative_p90_count"]
    mixed, alone = inside / fleets
    spread = 2.5 * np.sqrt(0.8 * 0.2 / fleets)
    assert 0.8 - spread <= mixed <= 0.8 + spread + 0.03
    assert alone < 0.6


def test_one_walk_through_the_draws_gives_the_whole_budget_and_the_schemes() -> None:
    plan = _plan(60)
    found = budget_and_schemes(plan)
    assert list(found.budget["by"].unique()) == ["fleet", "site", "technology"]
    for name, part in found.budget.groupby("by", sort=False):
        pd.testing.assert_frame_equal(part.reset_index(drop=True), budget(plan, by=str(name)))
    pd.testing.assert_frame_equal(found.schemes, compare_schemes(plan))
    assert list(found.schemes.columns) == list(columns("policies"))


def test_plans_with_forecasts_of_their_own_are_compared_in_their_own_worlds() -> None:
    """Each by its own draws, over the months of the shorter budget: as if either had been compared with itself."""
    plans = _plan(40, seed=1), _plan(40, seed=2, budget_months=12)
    worlds = [[weibull_rows(list(plan.remaining.life_id), scale, 5.0) for scale in (300.0, 900.0)] for plan in plans]
    both = compare_policies(*plans, shared_draws=iter(worlds[0]), second_draws=iter(worlds[1]))
    for row, (plan, draws) in enumerate(zip(plans, worlds)):
        short = plan.under(plan.policy.with_values(budget_months=12))
        alone = compare_policies(short, short, shared_draws=iter(draws))
        assert both.iloc[row].drop("policy").equals(alone.iloc[row].drop("policy"))


def test_policies_compared_share_the_draws_and_their_width() -> None:
    """Two worlds, in one of which lives are half as long: the band of either policy is wider than that of the mean."""
    plan = _plan(60)
    worlds = [weibull_rows(list(plan.remaining.life_id), scale, 5.0) for scale in (300.0, 900.0)]
    both = compare_policies(plan, plan.under(Policy(risk=0.01)), shared_draws=iter(worlds))
    alone = compare_policies(plan, plan.under(Policy(risk=0.01)))
    assert (both["p90_cost"] - both["p10_cost"] > 1.5 * (alone["p90_cost"] - alone["p10_cost"])).all()


def test_schemes_rank_as_they_must() -> None:
    """Failures are most when run to failure; the calendar wastes most life."""
    table = compare_schemes(_plan(200)).set_index("scheme")
    assert table["failures_in_service"].idxmax() == "failure"
    assert table["wasted_life_days"].idxmin() == "failure"
    assert table.loc["failure", "planned_swaps"] == pytest.approx(0.0)
    assert table.loc["failure", "visit_cost"] == pytest.approx(0.0)
    assert table.loc["condition", "failures_in_service"] < 0.7 * table.loc["failure", "failures_in_service"]
    assert (table["p10_cost"] < table["p90_cost"]).all()


def test_calendar_swaps_happen_on_the_visit_before_the_age() -> None:
    """All sensors are 400 days old, swapped by 730: the visits at 14 + 90 k days put that at day 284."""
    plan = _plan(50, sites=["N"])
    table = budget(plan, scheme="calendar")
    swap = AS_OF + pd.Timedelta(days=284)
    months_ = pd.DatetimeIndex(table["month"])
    before = table["expected_count"][months_ < swap.to_period("M").to_timestamp()].sum()
    there = table["expected_count"][months_ == swap.to_period("M").to_timestamp()].sum()
    assert there > 0.5 * 50
    assert before + there == pytest.approx(50.0, rel=0.35)


def test_what_if_of_two_policies_needs_the_same_forecast() -> None:
    plan = _plan()
    table = compare_policies(plan, plan.under(Policy(risk=0.001)))
    assert table["failures_in_service"].iloc[1] <= table["failures_in_service"].iloc[0]
    same = compare_policies(plan, plan)
    assert same.drop(columns="policy").iloc[0].equals(same.drop(columns="policy").iloc[1])
    assert (compare_policies(plan, plan.under(Policy(budget_months=12)))["months"] == 12).all()
    lines = side_by_side(table, "EUR")
    assert len(lines) == len(table.columns) and len({len(line) for line in lines}) == 1
    assert any("Expected cost" in line and "EUR" in line for line in lines)
    with pytest.raises(PolicyError, match="margin"):
        compare_policies(plan, plan.under(Policy(margin=0.1)))


def test_fleet_of_which_nothing_is_in_service_costs_nothing() -> None:
    ids = ["S1", "S2"]
    fleet = tables(ids)
    forecast = forecast_rows(ids, status="removed")
    plan = plan_fleet(weibull_rows([], 500.0), fleet.sensors.iloc[:0], forecast, fleet, Policy(), fresh=FRESH)
    money = budget_and_schemes(plan)
    assert len(money.budget) == 36
    assert (money.budget.select_dtypes("number") == 0.0).all().all()
    assert (money.schemes[["expected_cost", "expected_count", "visit_cost", "wasted_life_days"]] == 0.0).all().all()
    assert orders(plan).empty and visits(plan).empty
    assert (plan.actions["action"] == "none").all()


def test_dearer_visits_are_made_less_often() -> None:
    cheap, dear = (visits(_plan(60, visit_cost=cost)) for cost in (1.0, 5000.0))
    assert (dear["swaps"] > 0).sum() < (cheap["swaps"] > 0).sum()
    assert set(columns("visits")) == set(cheap.columns)


def test_visits_account_for_every_planned_swap() -> None:
    plan = _plan(90, visit_capacity_swaps=7)
    table = visits(plan)
    assert table["swaps"].sum() == plan.actions["swap_visit"].notna().sum() + plan.ahead.too_late.sum()
    assert table["swaps"].max() <= 7
    late = plan.actions[plan.actions["swap_visit"] > plan.actions["latest_swap"]]
    assert late["over_risk"].all()
