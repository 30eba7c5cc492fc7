"""Records that were kept only on failures: rates are refused in what is put out, and it is said why."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sensorhealth

START = pd.Timestamp("2023-01-01")


def small_fleet(kept: str) -> sensorhealth.Fleet:
    """Thirty sensors calibrated monthly for three years; `kept`: "all", or "failures" with one pass after another left out."""
    rng = np.random.default_rng(3)
    sensors = pd.DataFrame(
        {"sensor_id": [f"S{i:02d}" for i in range(30)], "gas": "CO", "technology": "electrochemical", "unit": "ppm",
         "installed": START.date(), "site": "North", "lot": ["A", "B", "C"] * 10}
    )  # fmt: skip
    rows = []
    for i in range(30):
        level, rate = rng.normal(0.45, 0.05), rng.normal(0.25, 0.05)
        for month in range(36):
            ratio = float(np.exp(level - rate * month / 12 + rng.normal(0, 0.03)))
            when = START + pd.Timedelta(days=30 * month + 3, hours=i % 8)
            rows.append({"sensor_id": f"S{i:02d}", "time": when, "kind": "span", "applied": 100.0,
                         "headroom": round(100 * ratio, 1), "outcome": "pass" if ratio >= 1 else "fail"})  # fmt: skip
    table = pd.DataFrame(rows)
    if kept == "failures":
        table = table[(table["outcome"] == "fail") | (np.arange(len(table)) % 20 == 0)]
    return sensorhealth.Fleet.from_tables(sensors, table)


@pytest.mark.parametrize("kept", ["all", "failures"])
def test_rates_are_told_only_from_records_that_tell_them(kept: str, tmp_path: Path) -> None:
    analysis = sensorhealth.analyse(small_fleet(kept))
    refused = kept == "failures"
    assert analysis.fleet.selective_recording is refused
    assert analysis.forecast[["ageing_per_year", "p_next_calibration_fails"]].isna().all(axis=None) == refused
    assert analysis.lots_table.empty == refused and analysis.lots("site").empty == refused
    assert any("are refused" in note for note in analysis.notes) is refused
    analysis.write(tmp_path / "out")
    assert (tmp_path / "out" / "report.html").is_file()
