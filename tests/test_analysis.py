"""The whole way: no sensor and no row disappears, nothing of the future is read, the same input gives the same files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sensorhealth
from sensorhealth import nomenclature, second_core
from sensorhealth.analysis import Analysis
from sensorhealth.decide import Policy
from sensorhealth.health import readings as readings_of
from sensorhealth.life import gas_by_row
from sensorhealth.life.worn import told_by_readings


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


def test_a_sensor_that_failed_its_last_test_is_out_of_service(demo: Analysis) -> None:
    plan = demo.plan.merge(demo.forecast[["sensor_id", "status", "last_gas_test_outcome"]], on="sensor_id")
    failed = plan[(plan["last_gas_test_outcome"] == "fail") & ~plan["status"].isin(["removed", "not yet installed"])]
    assert (failed["action"].isin(["out of service", "repeat calibration", "check gas"])).all()


def test_galvanic_oxygen_is_forecast_from_ages_at_death(demo: Analysis) -> None:
    lead = demo.fleet.sensors.loc[demo.fleet.sensors["technology"] == "galvanic oxygen", "sensor_id"]
    rows = demo.forecast[demo.forecast["sensor_id"].isin(lead) & (demo.forecast["status"] == "forecast")]
    assert len(rows) and (rows["mode"] == "sudden").all()


def test_the_same_records_give_the_same_files_on_one_core_or_two_and_whatever_policy_they_were_first_read_under(
    tiny_fleet: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = Policy(margin=0.2, horizon_days=2000)
    monkeypatch.setattr(second_core, "_cores", lambda: 1)
    first = sensorhealth.analyse(sensorhealth.read_fleet(tiny_fleet))
    first.write(tmp_path / "one")
    monkeypatch.setattr(second_core, "_cores", lambda: 2)
    wide = sensorhealth.analyse(sensorhealth.read_fleet(tiny_fleet), policy=other)
    assert not wide.forecast.equals(first.forecast)
    pd.testing.assert_frame_equal(first.under(other).forecast, wide.forecast)
    wide.under(first.policy).write(tmp_path / "two")
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


def test_past_ends_are_told_net_of_the_gas(demo: Analysis, demo_folder: Path) -> None:
    """Of the sensors that were removed as worn although only weak gas made them read low, most had not come to their true end;
    of the others fewer (invented truth). The track record is told which."""
    gas = gas_by_row(demo.readings, demo.ageing.residuals_)
    later = readings_of(demo.fleet, demo.lives)
    assert gas.index.is_unique and gas.reindex(later["row"]).notna().mean() > 0.9
    said = told_by_readings(later, 0.0, gas.reindex(later["row"]).fillna(0.0).to_numpy())
    truth = pd.read_csv(demo_folder / "truth" / "truth_sensors.csv", parse_dates=["end_time"]).set_index("life_id")["end_time"]
    worn = demo.lives[(demo.lives["end_kind"] == "soft") & demo.lives["life_id"].isin(truth.index)].set_index("life_id")
    not_ended = truth.reindex(worn.index) > worn["ended"]
    misread = said["misread"].reindex(worn.index)
    assert misread.sum() > 20
    assert not_ended[misread].mean() > 0.7 > 0.5 > not_ended[~misread].mean()
