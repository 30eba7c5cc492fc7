"""One battery of laws over every chart, and what each chart's data must say."""

from __future__ import annotations

import pkgutil
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))
from chart_draws import DRAWN, EVERY, Draw, past

from sensorhealth.present import charts, style
from sensorhealth.present.charts import budget as budget_chart
from sensorhealth.present.charts import (
    cylinders,
    forecasters,
    lots,
    path,
    reliability,
    runway,
    sites,
    visits,
)


@pytest.fixture(scope="module")
def nothing(analysis: SimpleNamespace) -> SimpleNamespace:
    """The same analysis with no rows in any table."""
    bare = SimpleNamespace(**vars(analysis))
    for name in ("budget", "visits", "lots_table", "cylinders", "forecast", "readings"):
        setattr(bare, name, getattr(analysis, name).iloc[:0])
    return bare


def test_every_chart_is_held_to_the_laws() -> None:
    assert set(DRAWN) == {module.name for module in pkgutil.iter_modules(charts.__path__)}


@pytest.mark.parametrize("draw", EVERY)
def test_chart_draws_on_the_axes_it_is_given_and_returns_them(draw: Draw, analysis: SimpleNamespace) -> None:
    ax = style.new_axes(None, 6, 4)
    assert draw(analysis, ax) is ax


@pytest.mark.parametrize("draw", EVERY)
def test_chart_is_the_same_bytes_each_time(draw: Draw, analysis: SimpleNamespace) -> None:
    assert style.svg(draw(analysis, None)) == style.svg(draw(analysis, None))


@pytest.mark.parametrize("draw", EVERY)
def test_chart_names_what_it_shows(draw: Draw, analysis: SimpleNamespace) -> None:
    assert draw(analysis, None).get_title(loc="left")


@pytest.mark.parametrize("draw", [p for p in EVERY if not str(p.id).startswith("path")])
def test_chart_says_when_there_is_nothing_to_show(draw: Draw, nothing: SimpleNamespace) -> None:
    drawn = style.svg(draw(nothing, None))
    assert "no " in drawn.lower() or "nothing" in drawn.lower()


def test_charts_leave_no_global_state(analysis: SimpleNamespace) -> None:
    import matplotlib

    before = dict(matplotlib.rcParams)
    for draws in DRAWN.values():
        for draw in draws:
            style.png(draw(analysis, None), dpi=40)
    assert dict(matplotlib.rcParams) == before
    assert "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()


def test_dates_and_clocks_stay_out_of_pictures(analysis: SimpleNamespace) -> None:
    drawn = style.svg(runway.runway(analysis.forecast))
    assert "<dc:date>" not in drawn and "Matplotlib" not in drawn


def test_runway_keeps_every_sensor_when_it_aggregates(analysis: SimpleNamespace) -> None:
    one_by_one = runway.runway_data(analysis.forecast, analysis.fleet.sensors)
    taken_together = runway.runway_data(analysis.forecast, analysis.fleet.sensors, max_rows=10)
    assert len(taken_together) == 10
    assert taken_together["sensors"].sum() == len(one_by_one) == (analysis.forecast["status"] != "no forecast").sum()
    assert taken_together["rul_days_p50"].is_monotonic_increasing


def test_runway_says_that_it_aggregates(analysis: SimpleNamespace) -> None:
    drawn = style.svg(runway.runway(analysis.forecast, max_rows=10))
    assert "medians over about 6" in " ".join(drawn.split())


def test_hundred_thousand_sensors_stay_a_small_picture(analysis: SimpleNamespace) -> None:
    many = pd.concat([analysis.forecast] * 1700, ignore_index=True)
    many["sensor_id"] = np.arange(len(many)).astype(str)
    assert len(style.svg(runway.runway(many))) < 200_000


def test_warranty_that_has_ended_is_not_drawn(analysis: SimpleNamespace) -> None:
    data = runway.runway_data(analysis.forecast, analysis.fleet.sensors)
    ends = analysis.fleet.sensors.set_index("sensor_id")["warranty_end"]
    ended = data["label"].map(ends) < analysis.as_of
    assert ended.any() and data.loc[ended, "warranty_days"].isna().all()


def test_gas_is_taken_out_of_the_corrected_readings(analysis: SimpleNamespace) -> None:
    data = path.path_readings_data(analysis.readings, analysis.ageing.residuals_)
    np.testing.assert_allclose(data["recorded"], data["corrected"] * data["explained"])
    assert data["explained"].std() > 0.01


def test_fan_holds_nine_tenths_between_its_outer_edges() -> None:
    rng = np.random.default_rng(1)
    fan = path.path_fan_data(pd.to_datetime(["2026-01-01"]), np.array([0.4]), np.array([0.2]))
    draws = np.exp(rng.normal(0.4, 0.2, 200_000))
    inside = ((draws > fan["p05"][0]) & (draws < fan["p95"][0])).mean()
    assert inside == pytest.approx(0.9, abs=0.005)


def test_flagged_cylinders_are_never_left_out(analysis: SimpleNamespace) -> None:
    fine = analysis.cylinders.iloc[[1]]
    table = pd.concat([fine.assign(cylinder_id=f"F{k}") for k in range(60)] + [analysis.cylinders], ignore_index=True)
    drawn = cylinders.cylinders_data(table, max_rows=5)
    assert len(drawn) == 5 and set(drawn.loc[drawn["flagged"], "cylinder_id"]) == {"C1", "C3"}
    assert dict(zip(drawn["cylinder_id"], drawn["marker"]))["C1"] == "v"


def test_worse_lot_is_the_one_that_stands_out(analysis: SimpleNamespace) -> None:
    data = lots.lots_data(analysis.lots_table)
    worse = data[data["marker"] != ""]
    assert worse[["lot", "kind"]].to_numpy().tolist() == [["L1", "electrochemical, H2S"]]
    assert worse["remark"].item() == "1.8 times the others"
    assert (data["low"] <= data["loss"]).all() and (data["loss"] <= data["high"]).all()


def test_budget_of_an_unknown_quantity_is_refused(analysis: SimpleNamespace) -> None:
    with pytest.raises(ValueError, match="'cost' or 'count'"):
        budget_chart.budget_data(analysis.budget, "weight")


def test_reliability_bins_count_every_forecast() -> None:
    """Wilson limits for 1 of 10 at 90 %: 0.0228 to 0.3490 by hand from the formula of Wilson (1927)."""
    data = reliability.reliability_data([0.05] * 10 + [0.95] * 5, [1] + [0] * 9 + [1] * 5)
    assert data["count"].tolist() == [10, 5]
    assert data["observed"].tolist() == [0.1, 1.0]
    z2 = 1.6448536269514722**2
    middle, half = (0.1 + z2 / 20) / (1 + z2 / 10), np.sqrt(z2) / (1 + z2 / 10) * np.sqrt(0.009 + z2 / 400)
    np.testing.assert_allclose(data.loc[0, ["low", "high"]].astype(float), [middle - half, middle + half])


def test_busy_sites_are_kept_and_the_rest_counted_together() -> None:
    table = pd.DataFrame(
        {"site": [f"P{k:02d}" for k in range(40)], "visit": pd.Timestamp("2026-05-01"), "swaps": range(40), "tests": 1}
    )
    data = visits.visits_data(table, max_sites=5)
    assert data["site"].nunique() == 5 and data["swaps"].sum() == sum(range(40))
    assert "other sites" in set(data["site"]) and "P39" in set(data["site"])


def test_sites_keep_every_sensor(analysis: SimpleNamespace) -> None:
    data = sites.sites_data(analysis.forecast, analysis.fleet.sensors)
    counted = data.groupby("site")["sensors"].first().sum()
    assert counted == (analysis.forecast["status"] != "no forecast").sum()


def test_forecasters_are_compared_over_all_dates_together() -> None:
    data = forecasters.forecasters_data(past(1))
    assert data["forecaster"].tolist() == ["this model", "last reading again", "fixed life"]
    assert data["value"].tolist() == [0.02, 0.03, 0.05] and data["marker"].tolist() == ["D", "", ""]
    np.testing.assert_allclose(data["high"] - data["value"], 1.6448536 * 0.002, rtol=1e-6)
