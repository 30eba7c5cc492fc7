"""The whole way: no sensor and no row disappears, nothing of the future is read, the same input gives the same files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sensorhealth
from sensorhealth import nomenclature
from sensorhealth.analysis import Analysis


def test_rows_in_are_rows_used_and_rows_set_aside(demo: Analysis, demo_folder: Path) -> None:
    account = demo.fleet.reconciliation.set_index("table")
    assert (account["rows_in"] == account["rows_used"] + account["rows_set_aside"]).all()
    for table in nomenclature.TABLES_IN:
        assert account.loc[table, "rows_in"] == len(pd.read_csv(demo_folder / f"{table}.csv", dtype=str))


def test_every_sensor_has_a_forecast_row_and_an_action_with_a_reason(demo: Analysis) -> None:
    for table in (demo.forecast, demo.plan):
        assert sorted(table["sensor_id"]) == sorted(demo.fleet.sensors["sensor_id"])
        assert (table["reason"].str.len() > 5).all()
    assert set(demo.forecast["status"]) <= set(nomenclature.columns("forecast")["status"].choices)
    assert set(demo.plan["action"]) <= set(nomenclature.columns("plan")["action"].choices)


@pytest.mark.parametrize("table", ["forecast", "plan", "budget", "orders", "visits", "warranty", "retest", "findings"])
def test_tables_have_the_columns_types_and_ranges_of_the_dictionary(demo: Analysis, table: str) -> None:
    frame = getattr(demo, table)
    for name, column in nomenclature.columns(table).items():
        assert name in frame, f"{table} lacks {name}"
        values = frame[name]
        if column.type in ("time", "date"):
            assert pd.api.types.is_datetime64_any_dtype(values), f"{table}.{name} is {values.dtype}"
        if column.low is not None:
            assert (values.dropna() >= column.low - 1e-12).all(), f"{table}.{name} below {column.low}"
        if column.high is not None:
            assert (values.dropna() <= column.high + 1e-12).all(), f"{table}.{name} above {column.high}"
        if column.choices:
            assert set(values.dropna()) <= set(column.choices), f"{table}.{name}: {set(values)}"


def test_quantiles_are_in_order_and_probabilities_grow(demo: Analysis) -> None:
    known = demo.forecast.dropna(subset=["rul_days_p50"])
    quantiles = known[[f"rul_days_{q}" for q in ("p05", "p10", "p25", "p50", "p75", "p90", "p95")]].to_numpy()
    assert (np.diff(quantiles, axis=1) >= 0).all()
    chances = known[["p_end_90d", "p_end_180d", "p_end_365d"]].to_numpy()
    assert (np.diff(chances, axis=1) >= -1e-12).all()
    assert (quantiles <= demo.policy.horizon_days).all()


def test_the_worlds_of_the_budget_say_together_what_the_forecasts_say(demo: Analysis) -> None:
    """Else the money would be for another fleet than the one whose remaining life is shown."""
    every = np.arange(demo.remaining.life_id.size)
    worlds = [world.take(every) for world in demo.shared_draws()]
    for days in (30.0, 90.0, 365.0, 730.0):
        for name in ("p_end", "p_end_by_falls"):
            expected = float(getattr(demo.remaining, name)(days).sum())
            assert np.mean([getattr(world, name)(days).sum() for world in worlds]) == pytest.approx(expected, rel=0.15, abs=0.5)
    for world in worlds:
        assert min(np.diff(world.soft).min(), np.diff(world.sudden).min(), world.soft.min(), world.sudden.min()) >= -1e-9
        assert world.total.max() <= 1.0 + 1e-9


def test_bands_of_the_budget_hold_what_is_expected_and_sums_grow(demo: Analysis) -> None:
    for _, table in demo.budget.groupby(["by", "group"]):
        for what in ("count", "cost"):
            low, mid, high = (table[f"cumulative_{q}_{what}"].to_numpy() for q in ("p10", "p50", "p90"))
            expected = table[f"cumulative_expected_{what}"].to_numpy()
            rounding = 1.0 if what == "count" else 1e-6 * expected[-1]
            assert (low <= mid).all() and (mid <= high).all()
            assert (expected >= low - rounding).all() and (expected <= high + rounding).all()
            assert (np.diff(expected) >= -1e-9).all()
    fleet = demo.budget[demo.budget["by"] == "fleet"]
    swaps = demo.visits.loc[demo.visits["visit"] < demo.as_of + pd.Timedelta(days=30), "swaps"].sum()
    assert fleet["cumulative_expected_count"].iloc[1] == pytest.approx(swaps, rel=0.15)  # both are of the coming weeks


def test_a_sensor_that_failed_its_last_test_is_out_of_service(demo: Analysis) -> None:
    plan = demo.plan.merge(demo.forecast[["sensor_id", "status", "last_gas_test_outcome"]], on="sensor_id")
    failed = plan[(plan["last_gas_test_outcome"] == "fail") & ~plan["status"].isin(["removed", "not yet installed"])]
    assert (failed["action"].isin(["out of service", "repeat calibration", "check gas"])).all()


def test_galvanic_oxygen_is_forecast_from_ages_at_death(demo: Analysis) -> None:
    lead = demo.fleet.sensors.loc[demo.fleet.sensors["technology"] == "galvanic oxygen", "sensor_id"]
    rows = demo.forecast[demo.forecast["sensor_id"].isin(lead) & (demo.forecast["status"] == "forecast")]
    assert len(rows) and (rows["mode"] == "sudden").all()


def test_the_same_records_give_the_same_files(tiny_fleet: Path, tmp_path: Path) -> None:
    for name in ("one", "two"):
        analysis = sensorhealth.analyse(sensorhealth.read_fleet(tiny_fleet))
        analysis.write(tmp_path / name)
    for path in sorted((tmp_path / "one").iterdir()):
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_nothing_after_the_as_of_date_is_read(tiny_fleet: Path) -> None:
    """The future is torn up and rewritten: the forecast must not change in a single digit."""
    fleet = sensorhealth.read_fleet(tiny_fleet)
    as_of = fleet.calibrations["time"].quantile(0.7).normalize()
    sensors, calibrations, cylinders = (pd.read_csv(tiny_fleet / f"{name}.csv", dtype=str) for name in nomenclature.TABLES_IN)
    later = pd.to_datetime(calibrations["time"], format="ISO8601", errors="coerce") >= as_of + pd.Timedelta(days=1)
    torn = calibrations.copy()
    torn.loc[later, "headroom"] = "1.0"
    torn.loc[later, "outcome"] = "fail"
    removed = pd.to_datetime(sensors["removed"]) > as_of
    other = sensors.copy()
    other.loc[removed, ["removed", "removal_reason"]] = [str((as_of + pd.Timedelta(days=2)).date()), "sudden"]
    changed = sensorhealth.Fleet.from_tables(other, torn, cylinders)
    first, second = sensorhealth.analyse(fleet, as_of), sensorhealth.analyse(changed, as_of)
    pd.testing.assert_frame_equal(first.forecast, second.forecast)
    pd.testing.assert_frame_equal(first.plan, second.plan)


def test_an_as_of_date_before_the_first_calibration_is_refused(demo: Analysis) -> None:
    with pytest.raises(sensorhealth.RecordsError, match="before the first calibration"):
        sensorhealth.analyse(demo.fleet, as_of="1999-01-01")


def test_cells_that_do_not_age_are_not_forecast_to_die(open_data: Path) -> None:
    """Conductivity cells of the open records: mostly flat for years, a control for false alarms."""
    from tools.open_records import FLEETS, tables

    name = "ooi_conductivity"
    fleet = sensorhealth.Fleet.from_tables(*tables(pd.read_csv(open_data / f"{name}.csv"), *FLEETS[name], end=0.8))
    analysis = sensorhealth.analyse(fleet, as_of="2021-01-01")
    alive = analysis.forecast[analysis.forecast["status"].isin(["forecast", "group forecast"])]
    assert len(alive) > 200
    assert (alive["p_end_365d"] < 0.05).mean() > 0.98
    assert (alive["rul_days_p50"] >= 3650).mean() > 0.95
