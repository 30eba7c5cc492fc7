"""A small analysis made by hand, for the form of what people see; its numbers are invented."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd

AS_OF = pd.Timestamp("2026-03-31")
ACTIONS = [
    "out of service",
    "swap now",
    "swap at visit",
    "repeat calibration",
    "check gas",
    "test with gas",
    "keep",
    "none",
]
KINDS = [("electrochemical", "H2S"), ("electrochemical", "CO"), ("galvanic oxygen", "O2"), ("catalytic bead", "CH4")]


def make_sensors(n: int, rng: np.random.Generator) -> pd.DataFrame:
    kind = [KINDS[k % len(KINDS)] for k in range(n)]
    installed = AS_OF - pd.to_timedelta(rng.integers(30, 1500, n), unit="D")
    return pd.DataFrame(
        {
            "sensor_id": [f"S{k:05d}" for k in range(n)],
            "gas": [gas for _, gas in kind],
            "technology": [technology for technology, _ in kind],
            "installed": installed,
            "unit": "ppm",
            "instrument_id": [f"I{k // 4:04d}" for k in range(n)],
            "site": rng.choice(["North quay", "South works", "Tank farm"], n),
            "lot": rng.choice(["L1", "L2", "L3"], n),
            "warranty_end": installed + pd.Timedelta(days=730),
            "removed": pd.NaT,
            "gain_limit": 3.0,
        }
    )


def make_forecast(sensors: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    n = len(sensors)
    middle = np.sort(rng.gamma(2.0, 350, n))
    status = np.full(n, "forecast", dtype=object)
    status[-max(1, n // 20) :] = "no forecast"
    status[0] = "at end"
    frame = pd.DataFrame({"sensor_id": sensors["sensor_id"], "status": status, "reason": "readings enough", "as_of": AS_OF})
    frame["age_days"] = (AS_OF - sensors["installed"]).dt.days.astype(float)
    frame["headroom_ratio"] = 1 + middle / 800
    frame["headroom_ratio_p05"], frame["headroom_ratio_p95"] = (
        frame["headroom_ratio"] * 0.95,
        frame["headroom_ratio"] * 1.05,
    )
    frame["ageing_per_year"] = -rng.gamma(4, 0.05, n)
    for q, factor in (("05", 0.4), ("10", 0.5), ("25", 0.7), ("50", 1.0), ("75", 1.4), ("90", 1.9), ("95", 2.4)):
        frame[f"rul_days_p{q}"] = np.where(status == "no forecast", np.nan, np.minimum(middle * factor, 3650))
    frame["horizon_capped"] = frame["rul_days_p95"] >= 3650
    for days in (90, 180, 365):
        frame[f"p_end_{days}d"] = np.exp(-middle / days)
    frame["p_end_before_warranty_end"] = frame["p_end_180d"]
    frame["p_next_calibration_fails"] = frame["p_end_90d"]
    frame["mode"], frame["readings_used"] = "soft", 12
    frame["last_gas_test"] = AS_OF - pd.to_timedelta(rng.integers(1, 400, n), unit="D")
    frame["last_gas_test_outcome"] = rng.choice(["pass", "pass", "pass", "fail", "unknown"], n)
    return frame


def make_plan(sensors: pd.DataFrame, forecast: pd.DataFrame) -> pd.DataFrame:
    n = len(sensors)
    action = np.array([ACTIONS[min(7, k * 12 // n)] for k in range(n)], dtype=object)
    due = AS_OF + pd.to_timedelta(np.arange(n) % 300, unit="D")
    return pd.DataFrame(
        {
            "sensor_id": sensors["sensor_id"],
            "action": action,
            "due": due.where(action != "keep"),
            "visit": pd.Series(due).where(action == "swap at visit"),
            "reason": "its headroom is nearly used up",
            "expected_cost": np.where(action == "keep", 0.0, 240.0),
            "confidence": 0.8,
            "site": sensors["site"],
            "last_gas_test": forecast["last_gas_test"],
            "risk_until_visit": forecast["p_end_90d"],
            "over_risk": action == "swap now",
        }
    )


def make_readings(sensors: pd.DataFrame, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    count = ((AS_OF - sensors["installed"]).dt.days.to_numpy() - 30) // 90 + 1
    k = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    readings = sensors.loc[np.repeat(sensors.index, count), ["sensor_id", "site", "installed"]].reset_index(drop=True)
    days = 30 + 90 * k
    gas = rng.normal(0, 0.05, len(readings))
    readings["life_id"], readings["time"] = readings["sensor_id"], readings["installed"] + pd.to_timedelta(days, "D")
    readings["age_years"], readings["censoring"] = days / 365.25, np.int8(0)
    readings["log_ratio"] = np.log(2.2) - 0.2 * days / 365.25 + gas + rng.normal(0, 0.02, len(readings))
    readings["row"] = np.arange(1, len(readings) + 1)
    residuals = readings[["row", "life_id"]].assign(gas_effect=gas, session_effect=0.0)
    return readings.drop(columns="installed"), residuals


def make_budget() -> pd.DataFrame:
    month = pd.date_range("2026-04-01", periods=36, freq="MS")
    expected = 4 + 3 * np.sin(np.arange(36) / 5) ** 2
    frame = pd.DataFrame({"month": month})
    for name, factor in (("expected", 1.0), ("p10", 0.5), ("p50", 0.95), ("p90", 1.6)):
        frame[f"{name}_count"], frame[f"{name}_cost"] = expected * factor, expected * factor * 240
    return frame


def make_lots() -> pd.DataFrame:
    rows = [
        ("L1", "electrochemical", "H2S", 40, -0.35, -0.42, -0.28, 1.8, 0.0001, 0.0006),
        ("L2", "electrochemical", "H2S", 38, -0.20, -0.26, -0.14, 0.9, 0.4, 0.6),
        ("L3", "electrochemical", "CO", 41, -0.18, -0.24, -0.12, 1.0, 0.9, 0.9),
        ("L1", "electrochemical", "CO", 12, -0.21, -0.33, -0.09, 1.1, 0.7, 0.9),
    ]
    names = [
        "lot",
        "technology",
        "gas",
        "sensors",
        "ageing_per_year",
        "low",
        "high",
        "ratio_to_rest",
        "p_value",
        "q_value",
    ]
    return pd.DataFrame(rows, columns=names)


def make_cylinders() -> pd.DataFrame:
    rows = [
        ("C1", "H2S", -0.22, -0.27, -0.17, -0.0004, 0.99, 22, 30, True, "weak", "take it out of use"),
        ("C2", "H2S", 0.02, -0.03, 0.07, 0.0, 0.05, 25, 31, False, "", ""),
        ("C3", "CO", 0.15, 0.10, 0.20, 0.0, 0.97, 18, 20, True, "strong", "take it out of use"),
        ("C4", "CO", -0.01, -0.05, 0.03, 0.0, 0.01, 26, 33, False, "", ""),
    ]
    names = [
        "cylinder_id",
        "gas",
        "bias",
        "low",
        "high",
        "fade_per_day",
        "p_out_of_tolerance",
        "sensors",
        "readings",
        "flagged",
        "direction",
        "advice",
    ]
    return pd.DataFrame(rows, columns=names)


def invented_analysis(n: int = 60, seed: int = 1) -> SimpleNamespace:
    """The fields of an Analysis that the report reads."""
    rng = np.random.default_rng(seed)
    sensors = make_sensors(n, rng)
    forecast = make_forecast(sensors, rng)
    readings, residuals = make_readings(sensors, rng)
    plan = make_plan(sensors, forecast)
    retest = sensors.head(3)[["sensor_id", "site", "instrument_id", "gas"]].assign(
        cylinder_id="C3", adjusted=AS_OF, direction="under-reads", error_ratio=0.87, reason="adjusted on strong gas"
    )
    findings = pd.DataFrame(
        {
            "table": ["calibrations", "sensors"],
            "row": [7, 2],
            "sensor_id": ["S00001", "S00002"],
            "column": ["time", "installed"],
            "value": ["1970-01-01", ""],
            "finding": ["before installation", "missing"],
            "done": ["set aside", "doubted"],
            "reason": ["the clock had been reset", "first calibration taken"],
            "count": [1, 1],
        }
    )
    reconciliation = pd.DataFrame(
        {
            "table": ["sensors", "calibrations", "cylinders"],
            "rows_in": [n, 701, 4],
            "rows_used": [n, 700, 4],
            "rows_set_aside": [0, 1, 0],
        }
    )
    fleet = SimpleNamespace(
        sensors=sensors,
        calibrations=readings[["row", "sensor_id", "time"]].assign(headroom=1.2, applied=1.0, span_gain=np.nan),
        cylinders=pd.DataFrame(),
        findings=findings,
        reconciliation=reconciliation,
        source="an invented fleet",
    )
    visits = pd.DataFrame(
        {
            "site": ["North quay", "Tank farm"],
            "visit": pd.to_datetime(["2026-05-04", "2026-09-07"]),
            "swaps": [4, 2],
            "tests": [3, 1],
            "capacity": [20, 20],
            "expected_cost": [1310.0, 830.0],
        }
    )
    orders = pd.DataFrame(
        {
            "order_by": pd.to_datetime(["2026-04-10"]),
            "needed_by": pd.to_datetime(["2026-05-22"]),
            "technology": ["electrochemical"],
            "gas": ["H2S"],
            "model": [""],
            "quantity": [5],
            "expected_demand": [3.4],
            "unit_cost": [180.0],
            "cost": [900.0],
            "reason": ["demand"],
        }
    )
    warranty = pd.DataFrame(
        {
            "rank": [1],
            "sensor_id": ["S00001"],
            "site": ["North quay"],
            "lot": ["L1"],
            "warranty_end": pd.to_datetime(["2026-08-01"]),
            "test_from": pd.to_datetime(["2026-06-01"]),
            "test_by": pd.to_datetime(["2026-07-01"]),
            "p_end_before_warranty_end": [0.4],
            "expected_value": [72.0],
            "advice": ["calibrate on fresh, verified gas"],
        }
    )
    policy = SimpleNamespace(currency="EUR", calibration_interval_days=180, margin=0.0, risk=0.05, horizon_days=3650)
    lives = sensors.assign(life_id=sensors["sensor_id"], current=True, stratum=sensors["technology"] + " " + sensors["gas"])
    ageing = SimpleNamespace(
        residuals_=residuals,
        predict=lambda ids, ages: pd.DataFrame(
            {
                "life_id": ids,
                "age_years": ages,
                "mean": np.log(2.2) - 0.2 * np.asarray(ages, dtype=float),
                "sd_latent": 0.05,
            }
        ),
    )
    return SimpleNamespace(
        fleet=fleet,
        as_of=AS_OF,
        policy=policy,
        lives=lives,
        readings=readings.drop(index=5),
        oddities=SimpleNamespace(single_readings=readings.loc[[5], ["row", "life_id", "time"]]),
        ageing=ageing,
        forecast=forecast,
        plan=plan,
        budget=make_budget(),
        orders=orders,
        visits=visits,
        lots=lambda by="lot": make_lots(),
        warranty=warranty,
        lots_table=make_lots(),
        cylinders=make_cylinders(),
        retest=retest,
        findings=findings,
        notes=("No column `humidity_pct`: humidity is not corrected for.",),
    )
