"""Visits that went wrong, on fleets of known truth: one instrument, one session, one person, the first of a session."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sensorhealth import health

START = pd.Timestamp("2022-01-03 08:00")


def bench(seed: int = 0, change=None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Fifteen instruments of four gases, monthly sessions of two technicians in turn; `change` alters log_ratio."""
    rng = np.random.default_rng(seed)
    rows, lives = [], []
    for i in range(15):
        for g, gas in enumerate(("CO", "H2S", "O2", "CH4")):
            name = f"i{i:02d}-{gas}"
            lives.append({"life_id": name, "sensor_id": name, "technology": "electrochemical", "gas": gas, "end_kind": "",
                          "stratum": f"electrochemical {gas}", "instrument_id": f"i{i:02d}", "installed": START})  # fmt: skip
            level, slope = 0.7 + 0.08 * rng.standard_normal(), 0.12 + 0.03 * rng.standard_normal()
            for j in range(18):
                age = (j + 1) / 12
                day = START + pd.Timedelta(days=30 * (j + 1))
                rows.append({"sensor_id": name, "life_id": name, "stratum": f"electrochemical {gas}", "age_years": age,
                             "time": day + pd.Timedelta(minutes=10 * i), "instrument": i, "visit": j, "gas": g,
                             "order_in_session": (i + j) % 15 + 1, "session": f"north {day:%Y-%m-%d} t{j % 2}",
                             "cylinder": f"C{g}{j // 6}",
                             "log_ratio": level - slope * age + 0.025 * rng.standard_normal()})  # fmt: skip
    table = pd.DataFrame(rows).assign(lot="L1", site="north", censoring=np.int8(0))
    table["row"] = np.arange(1, len(table) + 1)
    if change is not None:
        table["log_ratio"] += change(table)
    return table, pd.DataFrame(lives)


def judged(**options) -> pd.DataFrame:
    sessions = health.find_oddities(*bench(**options)).sessions
    return sessions[sessions["flagged"].astype(bool)]


def test_all_gases_of_one_instrument_low_once_is_the_handling() -> None:
    found = judged(change=lambda t: np.where((t["instrument"] == 4) & (t["visit"] == 9), -0.25, 0.0))
    assert found[["kind", "where"]].to_numpy().tolist() == [["instrument", "i04"]]
    assert found["sensors"].item() == 4
    assert "leak" in found["reason"].item() and "cap" in found["reason"].item()


def test_one_bad_sensor_does_not_condemn_its_instrument() -> None:
    found = judged(change=lambda t: np.where((t["instrument"] == 4) & (t["gas"] == 1) & (t["visit"] == 9), -0.5, 0.0))
    assert "instrument" not in set(found["kind"])


def test_one_day_off_is_a_session() -> None:
    found = judged(change=lambda t: np.where(t["visit"] == 7, -0.12, 0.0))
    assert found["kind"].tolist() == ["session"]
    assert found["sensors"].item() == 60 and abs(found["effect"].item() + 0.12) < 0.04


def test_one_technicians_readings_off_are_laid_to_the_way_of_working() -> None:
    found = judged(change=lambda t: np.where(t["visit"] % 2 == 1, -0.06, 0.0))
    assert "technician" in set(found["kind"])
    assert "way of working" in found.loc[found["kind"] == "technician", "reason"].iloc[0]


def test_one_persons_way_of_working_does_not_make_the_others_seem_off() -> None:
    table, lives = bench()
    person = table["visit"] % 3
    table["session"] = "north " + table["time"].dt.strftime("%Y-%m-%d") + " t" + person.astype(str)
    table["log_ratio"] -= 0.06 * (person == 1)
    sessions = health.find_oddities(table, lives).sessions
    people = sessions[sessions["kind"] == "technician"].set_index("where")
    assert people["flagged"].to_dict() == {"t0": False, "t1": True, "t2": False}


def test_a_visit_that_was_repeated_the_same_day_counts_by_its_first_attempt() -> None:
    table, lives = bench(change=lambda t: np.where((t["instrument"] == 4) & (t["visit"] == 9), -0.25, 0.0))
    low = table[(table["instrument"] == 4) & (table["visit"] == 9)]
    again = low.assign(time=low["time"] + pd.Timedelta(minutes=12), log_ratio=low["log_ratio"] + 0.25, row=low["row"] + 10_000)
    sessions = health.find_oddities(pd.concat([table, again.iloc[:3]], ignore_index=True), lives).sessions
    assert sessions.loc[sessions["kind"] == "instrument", "where"].tolist() == ["i04"]


def test_what_some_readings_of_a_session_share_is_not_the_sessions() -> None:
    off = judged(
        change=lambda t: np.where((t["visit"] == 7) & (t["instrument"] < 9) & (t["gas"] == t["instrument"] % 4), -0.3, 0.0)
    )
    assert "session" not in set(off["kind"])


def test_the_first_of_a_session_low_points_at_the_regulator() -> None:
    found = judged(change=lambda t: np.where(t["order_in_session"] == 1, -0.06, 0.0))
    assert "first of session" in set(found["kind"])
    assert "longer before the first" in found.loc[found["kind"] == "first of session", "reason"].iloc[0]


def test_an_ordinary_bench_is_left_alone() -> None:
    assert sum(len(judged(seed=seed)) for seed in range(4)) <= 1
