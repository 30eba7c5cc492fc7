"""Stock rules against the textbook, and the order list that follows from them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from decide_builders import AS_OF, forecast_rows, tables, weibull_rows
from scipy import stats

from sensorhealth.decide import FleetPlan, KindPolicy, Policy, orders, plan_fleet
from sensorhealth.decide.counts import count_distribution
from sensorhealth.decide.orders import _from_moments, _moments
from sensorhealth.decide.stock import cover, newsvendor, period_cost
from sensorhealth.nomenclature import columns


def _whole(law: stats.rv_continuous, most: int) -> np.ndarray:
    """Distribution of demand rounded up to whole sensors."""
    return np.diff(law.cdf(np.arange(-1, most)))


def test_newsvendor_with_normal_demand_is_the_textbook_one() -> None:
    """Snyder and Shen, Fundamentals of Supply Chain Theory, example 4.3: h .18, p .70, N(50, 8): 56.603956 at 1.997605; in
    hundredths of the unit, for sensors are whole."""
    found = newsvendor(_whole(stats.norm(5000, 800), 9000), 0.18 / 100, 0.70 / 100)
    assert found.quantity == 5661
    assert found.cost == pytest.approx(1.997605, rel=1e-4)


@pytest.mark.parametrize(
    ("mean", "holding", "shortage", "quantity", "cost"), [(50, 0.18, 0.70, 56, 1.797235), (6, 1.0, 4.0, 8, 3.570107)]
)
def test_newsvendor_with_poisson_demand_is_the_textbook_one(
    mean: float, holding: float, shortage: float, quantity: int, cost: float
) -> None:
    """The same book: Poisson(50) at the costs of example 4.3, and example 4.7."""
    found = newsvendor(stats.poisson.pmf(np.arange(200), mean), holding, shortage)
    assert found.quantity == quantity
    assert found.cost == pytest.approx(cost, abs=1e-6)


def test_stock_that_is_not_the_best_costs_what_the_textbook_says() -> None:
    """Example 4.7 at a stock of 5."""
    assert period_cost(stats.poisson.pmf(np.arange(100), 6), 5, 1.0, 4.0) == pytest.approx(6.590296, abs=1e-6)


def test_stock_that_covers_a_lead_time_is_the_textbook_one() -> None:
    """Weekly demand 100, deviation 20, four weeks, 95 %: reorder at 465.794145, computed. Poisson(6), 95 %: 10."""
    assert cover(_whole(stats.norm(400, 40), 900), 0.95) == 466
    assert cover(stats.poisson.pmf(np.arange(60), 6), 0.95) == 10


def test_demand_of_a_large_fleet_is_close_to_exact() -> None:
    chances = np.random.default_rng(0).uniform(0.0, 0.05, (4_001, 1))
    low, (close,) = _from_moments(*_moments(chances, None))
    assert low == 0
    exact = count_distribution(chances[None], 4_001)[0]
    assert abs(np.arange(close.size) @ close - chances.sum()) < 0.02
    assert np.abs(np.cumsum(close)[:140] - np.cumsum(exact)[:140]).max() < 0.01


def test_demand_of_very_large_fleets_is_worked_out_where_it_is_likely_and_nowhere_else() -> None:
    """Against scipy's binomial distribution."""
    sensors, chance = 40_000, np.array([0.001, 0.2, 0.9])
    variance = sensors * chance * (1.0 - chance)
    low, close = _from_moments(sensors * chance, variance, variance * (1.0 - 2.0 * chance))
    assert low[0] == 0 < low[1] < low[2] and close.shape[1] < 3_000
    for begin, part, one in zip(low, close, chance):
        exact = stats.binom.cdf(begin + np.arange(part.size), sensors, one)
        assert np.abs(np.cumsum(part) - exact).max() < 2e-3
        assert part.sum() == pytest.approx(1.0, abs=1e-12)


def _plan(size: int = 120, life: float = 1200.0, **policy: object) -> FleetPlan:
    ids = [f"S{i:03d}" for i in range(size)]
    scale = np.random.default_rng(2).uniform(200, 1500, size)
    fresh = weibull_rows(["electrochemical H2S"], life, 5.0)
    return plan_fleet(weibull_rows(ids, scale, 5.0), None, forecast_rows(ids), tables(ids), Policy(**policy), fresh=fresh)


def test_orders_cover_the_expected_demand_and_no_more_than_is_needed() -> None:
    table = orders(_plan())
    assert set(table.columns) == set(columns("orders"))
    assert (table["quantity"] > 0).all()
    assert (table["needed_by"] - table["order_by"]).dt.days.eq(42).all()
    last = table.iloc[-1]
    demand = last["expected_demand"]
    assert table["cost"].sum() == pytest.approx((table["quantity"] * 200.0).sum())
    assert 0 < demand < 120


def test_sensors_that_will_last_are_not_ordered_for() -> None:
    """An expectation of a hundredth of a sensor since the last order is no reason for an order of one."""
    ids = ["A", "B", "C"]
    fresh = weibull_rows(["electrochemical H2S"], 5000.0, 5.0)
    plan = plan_fleet(weibull_rows(ids, 5000.0, 5.0, 0.003), None, forecast_rows(ids), tables(ids), Policy(), fresh=fresh)
    assert orders(plan).empty


def test_stock_on_hand_lowers_the_first_order_unless_it_is_too_old() -> None:
    kind = "electrochemical H2S"
    without = orders(_plan())["quantity"].sum()
    with_stock = orders(_plan(kinds={kind: KindPolicy(stock_on_hand=4)}))["quantity"].sum()
    stale = orders(_plan(kinds={kind: KindPolicy(stock_on_hand=4, stock_age_days=181)}))["quantity"].sum()
    assert with_stock == without - 4
    assert stale == without


def test_higher_service_level_never_orders_less() -> None:
    total = [orders(_plan(service_level=level, planning_days=60))["quantity"].sum() for level in (0.6, 0.9, 0.99)]
    assert total == sorted(total)
    assert total[0] < total[-1]


def test_short_shelf_life_holds_the_stock_down() -> None:
    short = orders(_plan(service_level=0.99, shelf_life_days=7))
    long = orders(_plan(service_level=0.99, shelf_life_days=365))
    dates = sorted({*short["order_by"], *long["order_by"]})
    so_far = np.array([[table.loc[table["order_by"] <= day, "quantity"].sum() for table in (short, long)] for day in dates])
    assert (so_far[:, 0] <= so_far[:, 1]).all()
    assert (so_far[:, 0] < so_far[:, 1]).any()
    held = short["reason"].str.contains("shelf life")
    assert held.any() and not short["reason"][held].str.contains("Covers").any()


def test_spares_that_age_on_the_shelf_are_fewer() -> None:
    """Short-lived sensors: half a shelf life of half a year, aged as fast as in service, costs a third of the price."""
    totals = []
    for rate in (0.0, 0.5, 1.0):
        plan = _plan(80, life=320.0, shelf_ageing=rate, service_level=0.9999, visit_cost=800.0, order_interval_days=180)
        table = orders(plan)
        totals.append(
            [table.loc[table["order_by"] <= AS_OF + pd.Timedelta(days=day), "quantity"].sum() for day in range(0, 365, 5)]
        )
    none, half, full = np.array(totals)
    assert (none >= half).all() and (half >= full).all()
    assert (none > full).any()


def test_sensors_are_ordered_where_a_visit_costs_nothing() -> None:
    table = orders(_plan(visit_cost=0.0))
    assert table["quantity"].sum() > 0.5 * orders(_plan())["quantity"].sum()


def test_need_before_delivery_is_named() -> None:
    table = orders(_plan(lead_time_days=200))
    assert "quicker delivery" in table["reason"].iloc[0]
    assert table["order_by"].iloc[0] == AS_OF
